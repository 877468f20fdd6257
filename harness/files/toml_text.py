"""How text stands in a TOML file."""

from __future__ import annotations

import json

__all__ = ["quoted"]


def quoted(text: str) -> str:
    """Return text as a TOML string; what JSON escapes, TOML escapes alike."""
    return json.dumps(text, ensure_ascii=False)
