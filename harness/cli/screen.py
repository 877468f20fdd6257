"""Standard streams: what is written never fails and, during a run, never waits for a reader.

A run goes on to its end and has its own exit code, whatever becomes of its output.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
import threading
import time
from queue import SimpleQueue
from typing import TYPE_CHECKING

import typer

from harness.errors import PowerOffUnconfirmed

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

CUT_MAINS = "CUT THE MAINS OF THE SUPPLY NOW"

#: Pause before a stream that takes nothing at the moment is tried again.
_RETRY_S = 0.05


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


class Screen:
    """Standard output for the time of a run: whoever says something never waits for a reader.

    A thread of its own writes, past Python's buffer, whose lock would hold up the end of the
    program where a full pipe holds up the thread. What cannot be written is lost, and nothing else.
    """

    def __init__(self) -> None:
        self._said: SimpleQueue[str | threading.Event] = SimpleQueue()
        self._thread: threading.Thread | None = None

    def say(self, text: str, *, afresh: bool = False) -> None:
        """Have a text with its line ends written; `afresh`, a terminal begins a new screen with it.

        What stood there is scrolled up, not lost.
        """
        if self._thread is None:
            if sys.stdout is not None:
                with contextlib.suppress(OSError, ValueError):
                    sys.stdout.flush()  # what was printed before comes first
            thread = threading.Thread(target=self._write, name="screen", daemon=True)
            with contextlib.suppress(RuntimeError):  # no thread to be had
                thread.start()
                self._thread = thread
        self._said.put(f"{_scrolled()}{text}" if afresh else text)
        if self._thread is None:  # power is off as long as nothing was said of it
            while not self._said.empty():
                self._write_one()

    def wait(self, longest_s: float) -> bool:
        """Wait until all that was said is written, but not for longer; tell whether it is."""
        if self._thread is None:
            return True
        written = threading.Event()
        self._said.put(written)
        return written.wait(longest_s)

    def _write(self) -> None:
        while True:
            self._write_one()

    def _write_one(self) -> None:
        said = self._said.get()
        if isinstance(said, threading.Event):
            said.set()
        else:
            with contextlib.suppress(OSError, ValueError):  # nobody reads any more
                _put(said)


def _put(text: str) -> None:
    stream = sys.stdout
    if stream is None:
        return
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError, AttributeError):  # a stream in memory
        descriptor = -1
    if sys.platform != "win32" and descriptor >= 0:
        left = text.encode(stream.encoding or "utf-8", errors="replace")
        while left:
            try:
                left = left[os.write(descriptor, left) :]
            except BlockingIOError:  # a stream that somebody has set not to wait
                time.sleep(_RETRY_S)
        return
    stream.write(text)  # a Windows console, too, takes text and not bytes
    stream.flush()


def _scrolled() -> str:
    """Return what brings a terminal to an empty screen; nothing for a pipe."""
    try:
        if not sys.stdout.isatty():
            return ""
    except (ValueError, AttributeError):  # closed, or none
        return ""
    lines = "\n" * shutil.get_terminal_size().lines
    knows_cursor = sys.platform != "win32" and os.environ.get("TERM", "dumb") != "dumb"
    return f"{lines}\x1b[H" if knows_cursor else lines


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
