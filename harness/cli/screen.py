"""The terminal, whatever it can show, and what goes into a pipe instead."""

from __future__ import annotations

import contextlib
import io
import re
import sys
from typing import IO, TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["console"]

#: Width of a line in a pipe that is not folded.
_UNFOLDED = 250
#: What a table pads its last column with.
_TRAILING = re.compile(r" +(?=\n)")


def console(*, folded: bool = True) -> Console:
    """Return a console that shows ``?`` for a character the terminal cannot, and never fails.

    Where the output is no terminal, it is plain text without blanks at the end of a line.

    Args:
        folded: Whether a pipe gets lines as wide as a terminal's. False where a program may read
            them, which would have to put them together again.
    """
    from rich.console import Console

    if isinstance(sys.stdout, io.TextIOWrapper):
        with contextlib.suppress(ValueError):  # closed, or detached
            sys.stdout.reconfigure(errors="replace")
    made = Console(highlight=False, emoji=False, markup=False)
    if made.is_terminal:
        return made
    return Console(
        highlight=False,
        emoji=False,
        markup=False,
        width=None if folded else _UNFOLDED,
        file=cast("IO[str]", _Trimmed(made.file)),
    )


class _Trimmed:
    """A stream that writes no blanks at the end of a line; the rest is the stream's own."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write text; rich hands over whole lines."""
        return self._stream.write(_TRAILING.sub("", text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)
