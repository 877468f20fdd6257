"""One small file a command; no logic."""

from typing import Any

#: How every command looks; loading the decorations of help takes longer than all the rest.
PLAIN: dict[str, Any] = {
    "add_completion": False,
    "context_settings": {"help_option_names": ["-h", "--help"]},
    "pretty_exceptions_enable": False,
    "rich_markup_mode": None,
}
