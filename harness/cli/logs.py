"""What the program says of its own work, by :mod:`logging`, to standard error and never elsewhere.

Nobody waits for it: a thread of its own writes, so that a terminal that is held up holds up no run.
The keeper's process says nothing at all this way.
"""

from __future__ import annotations

import contextlib
import logging
import sys
from collections.abc import Iterator
from typing import Annotated, Any

import typer

from harness.record.csv_text import printable
from harness.watch.screen import Screen

#: So many lines are kept while a run is drawn on the same terminal; more would be the oldest lost.
_KEPT = 1000
#: Longest wait for the last lines as the program ends.
_WRITTEN_S = 1.0

_ROOT = logging.getLogger("harness")


class _Unhurried(logging.Handler):
    """Hands lines to a thread that writes them, or keeps them while a run is drawn."""

    def __init__(self) -> None:
        super().__init__()
        self.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
        self.kept: list[str] | None = None
        self.screen = Screen("stderr")

    def emit(self, record: logging.LogRecord) -> None:
        """Take a line in."""
        line = f"{printable(self.format(record))}\n"  # what an instrument said may be anything
        if self.kept is None:
            self.screen.say(line)
        else:
            self.kept.append(line)
            del self.kept[:-_KEPT]


_HANDLER = _Unhurried()


def is_quiet() -> bool:
    """Whether nothing but errors is wanted, so that no progress is shown either."""
    return _ROOT.level >= logging.ERROR


@contextlib.contextmanager
def kept_from_the_screen() -> Iterator[None]:
    """Keep lines back while the block draws on a terminal that standard error shows up on, too."""
    if _at_a_terminal():
        _HANDLER.kept = []
    try:
        yield
    finally:
        kept, _HANDLER.kept = _HANDLER.kept or [], None
        for line in kept:
            _HANDLER.screen.say(line)


def finish() -> None:
    """Wait a moment for the last lines."""
    _HANDLER.screen.wait(_WRITTEN_S)


def _at_a_terminal() -> bool:
    try:
        return sys.stderr.isatty()
    except (ValueError, AttributeError):  # closed, or none
        return False


def _begin(level: int) -> None:
    if _HANDLER not in _ROOT.handlers:
        _ROOT.addHandler(_HANDLER)
    _ROOT.setLevel(level)


def _verbose(ctx: typer.Context, times: int) -> None:
    if times and not ctx.resilient_parsing:
        _begin(logging.DEBUG if times > 1 else logging.INFO)


def _quiet(ctx: typer.Context, wanted: bool) -> None:  # noqa: FBT001 - typer calls it so
    if wanted and not ctx.resilient_parsing:
        _begin(logging.ERROR)


#: The options that every command has for it: default, and type with what typer must know of it.
OPTIONS: dict[str, tuple[Any, Any]] = {
    "verbose": (
        0,
        Annotated[
            int,
            typer.Option(
                "-v",
                "--verbose",
                count=True,
                show_default=False,
                callback=_verbose,
                help="Say what the program does, on standard error; -vv: each message as well.",
            ),
        ],
    ),
    "quiet": (
        False,
        Annotated[
            bool,
            typer.Option(
                "-q",
                "--quiet",
                callback=_quiet,
                help="Show no progress, and of the log errors alone; questions and cautions stay.",
            ),
        ],
    ),
}
