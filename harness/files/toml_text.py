"""How text stands in a TOML file."""

from __future__ import annotations

import json


def quoted(text: str) -> str:
    """Return text as a TOML string, in the quotes that need least in it.

    What JSON escapes, TOML escapes alike.
    """
    if '"' in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return json.dumps(text, ensure_ascii=False)
