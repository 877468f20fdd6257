"""Standard streams that take whatever is written, also where nobody reads or the disk is full.

A run goes on to its end and has its own exit code, whatever becomes of its output.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = ["Lossy", "guard_streams"]


class Lossy(io.FileIO):
    """A file that loses what cannot be written, instead of failing.

    Attributes:
        lost: Why nothing is written any more, or None.
    """

    def __init__(self, descriptor: int) -> None:
        super().__init__(descriptor, "wb", closefd=False)
        self.lost: OSError | None = None

    @property
    def worth_telling(self) -> bool:
        """Whether something was lost that somebody wanted: a closed pipe had enough."""
        return self.lost is not None and self.lost.errno != errno.EPIPE

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
    that is opened, perhaps one of the record, would take its place.

    Returns:
        None where standard output is left as it is: the console of Windows takes text, not bytes.
    """
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest one that is free
    guards = [_guard(name, descriptor) for name, descriptor in (("stdout", 1), ("stderr", 2))]
    return guards[0]


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
