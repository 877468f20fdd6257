"""One small file a command; no logic."""

from typing import Any

#: How every command looks; loading the decorations of help takes longer than all the rest.
PLAIN: dict[str, Any] = {
    "add_completion": False,
    "pretty_exceptions_enable": False,
    "rich_markup_mode": None,
}
