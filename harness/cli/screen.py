"""The terminal, whatever it can show."""

from __future__ import annotations

import contextlib
import io
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["console"]


def console() -> Console:
    """Return a console that shows ``?`` for a character the terminal cannot, and never fails."""
    from rich.console import Console

    if isinstance(sys.stdout, io.TextIOWrapper):
        with contextlib.suppress(ValueError):  # closed, or detached
            sys.stdout.reconfigure(errors="replace")
    return Console(highlight=False)
