"""Tables and lists for a terminal: eighty columns of plain characters, colour beside words."""

from __future__ import annotations

import contextlib
import io
import re
import sys
from collections.abc import Iterable, Iterator
from typing import IO, Any, cast

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Column, Table
from rich.text import Text

#: Colour of a verdict; the word always stands beside it.
STYLES = {"pass": "green", "fail": "bold red", "undecided": "yellow", "pre-check": "cyan"}
#: Width of a line in a pipe that is not folded.
_UNFOLDED = 250
#: What a table pads its last column with.
_TRAILING = re.compile(r" +(?=\n)")


def console(*, folded: bool = True) -> Console:
    """Return a console that shows ``?`` for a character the terminal cannot, and never fails.

    Where the output is no terminal, it is plain text without blanks at the end of a line; its lines
    are not folded where a program may read them, which would have to put them together again.
    """
    if isinstance(sys.stdout, io.TextIOWrapper):
        with contextlib.suppress(ValueError):  # closed, or detached
            sys.stdout.reconfigure(errors="replace")
    plain: dict[str, Any] = {"highlight": False, "emoji": False, "markup": False}
    made = Console(**plain)
    if made.is_terminal:
        return made
    trimmed = cast("IO[str]", _Trimmed(made.file))
    return Console(**plain, width=None if folded else _UNFOLDED, file=trimmed)


class _Trimmed:
    """A stream that writes no blanks at the end of a line; the rest is the stream's own."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write text; rich passes whole lines."""
        return self._stream.write(_TRAILING.sub("", text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def show(parts: Iterable[RenderableType]) -> None:
    """Print parts below each other."""
    screen = console()
    for part in parts:
        screen.print(part)


def table(*columns: Column | str, gap: int = 2, header_style: str = "bold", **looks: Any) -> Table:
    """Return a table without lines, its columns ``gap`` characters apart.

    :func:`console` takes the texts in it as they are.
    """
    return Table(
        *columns,
        box=None,
        pad_edge=False,
        padding=(0, gap, 0, 0),
        header_style=header_style,
        **looks,
    )


def figures(*names: str) -> Iterator[Column]:
    """Yield columns of figures: to the right, and never folded."""
    for name in names:
        yield Column(name, justify="right", no_wrap=True)


def heading(text: str, style: str = "underline") -> Iterator[Text]:
    """Yield an empty line and a title."""
    yield Text()
    yield Text(text, style=style)


def listed(title: str, lines: Iterable[str], style: str = "underline") -> Iterator[RenderableType]:
    """Yield a titled list with hanging indents; nothing for an empty one."""
    items = [indented(line) for line in lines]
    if items:
        yield from heading(title, style)
        yield from items


def indented(text: str, style: str = "", *, by: int = 2) -> Padding:
    """Return a text whose every line stands two characters in, or so many."""
    return Padding(Text(text, style=style), (0, 0, 0, by), expand=False)


def hanging(head: str, text: str, style: str = "", *, by: int = 2) -> Padding:
    """Return a text whose further lines stand below the first one, behind its head."""
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_row(Text(head, style=style), Text(text, style=style))
    return Padding(grid, (0, 0, 0, by), expand=False)
