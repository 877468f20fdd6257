"""Standard streams: what is written never fails.

A run goes on to its end and has its own exit code, whatever becomes of its output.
"""

from __future__ import annotations

import io
import os
import sys
from typing import TYPE_CHECKING

import typer

from harness.errors import CUT_MAINS, PowerOffUnconfirmed

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer


class Lossy(io.FileIO):
    """A file that loses what cannot be written, instead of failing."""

    def __init__(self, descriptor: int) -> None:
        super().__init__(descriptor, "wb", closefd=False)
        self.lost: OSError | None = None  #: why nothing is written any more

    def write(self, data: ReadableBuffer, /) -> int:
        """Write as much as can be written; all of it counts as written where nothing can."""
        if self.lost is None:
            try:
                return super().write(data)
            except OSError as error:
                self.lost = error
        return memoryview(data).nbytes


def guard_streams() -> Lossy | None:
    """Put standard output and error on guarded files; return that of standard output.

    A descriptor that was closed from the start leads nowhere from here on: otherwise the next file
    that is opened, perhaps one of the record, would take its place. None where standard output is
    left as it is: the console of Windows takes text, not bytes.
    """
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest one that is free
    shown = _guard("stdout", 1)
    _guard("stderr", 2)
    return shown


def _guard(name: str, descriptor: int) -> Lossy | None:
    stream = getattr(sys, name)
    if stream is not None and not isinstance(stream, io.TextIOWrapper):
        return None
    if sys.platform == "win32" and os.isatty(descriptor):
        return None
    lossy = Lossy(descriptor)
    guarded = io.TextIOWrapper(
        io.BufferedWriter(lossy),
        encoding=stream.encoding if stream is not None else "utf-8",
        errors="replace" if name == "stdout" else "backslashreplace",
        line_buffering=name == "stderr" or os.isatty(descriptor),
    )
    setattr(sys, name, guarded)
    return lossy


def show_unconfirmed(error: PowerOffUnconfirmed, *, told: bool = False) -> None:
    """Say first of all that the mains are to be cut, then why, on whatever screens there are.

    `told` where standard output shows the first already.
    """
    try:
        one_screen = os.path.sameopenfile(sys.stdout.fileno(), sys.stderr.fileno())
    except (OSError, ValueError, AttributeError):
        one_screen = False
    if not told and not one_screen:
        typer.echo(CUT_MAINS)
        sys.stdout.flush()
    lines = ["" if told and one_screen else CUT_MAINS, str(error), *getattr(error, "__notes__", ())]
    typer.echo("\n".join(lines).lstrip("\n"), err=True)
