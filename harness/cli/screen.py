"""The terminal, whatever it can show, and what goes into a pipe instead."""

from __future__ import annotations

import contextlib
import io
import os
import re
import shutil
import sys
import threading
import time
from queue import SimpleQueue
from typing import IO, TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["Screen", "console"]

#: Width of a line in a pipe that is not folded.
_UNFOLDED = 250
#: What a table pads its last column with.
_TRAILING = re.compile(r" +(?=\n)")
#: Pause before a stream that takes nothing at the moment is tried again.
_RETRY_S = 0.05


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


class Screen:
    """Standard output for the time of a run: whoever says something never waits for a reader.

    A thread of its own writes, past Python's buffer, whose lock would hold up the end of the
    program where a full pipe holds up the thread. What cannot be written is lost, and nothing else.
    """

    def __init__(self) -> None:
        self._said: SimpleQueue[str | threading.Event] = SimpleQueue()
        self._thread: threading.Thread | None = None

    def say(self, text: str, *, afresh: bool = False) -> None:
        """Have a text written.

        Args:
            text: The text, with its line ends.
            afresh: Whether a terminal begins a new screen with it. What stood there is scrolled
                up, not lost.
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
            self._write_all()

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

    def _write_all(self) -> None:
        while not self._said.empty():
            self._write_one()

    def _write_one(self) -> None:
        said = self._said.get()
        if isinstance(said, threading.Event):
            said.set()
        else:
            with contextlib.suppress(OSError, ValueError):  # nobody reads any more
                _put(said)


def _put(text: str) -> None:
    """Write a text to standard output, wherever that goes."""
    stream = sys.stdout
    if stream is None:
        return
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError, AttributeError):  # a stream in memory
        descriptor = -1
    if sys.platform != "win32" and descriptor >= 0:
        _put_bytes(descriptor, text.encode(stream.encoding or "utf-8", errors="replace"))
        return
    stream.write(text)  # a Windows console, too, takes text and not bytes
    stream.flush()


def _put_bytes(descriptor: int, left: bytes) -> None:
    while left:
        try:
            left = left[os.write(descriptor, left) :]
        except BlockingIOError:  # a stream that somebody has set not to wait
            time.sleep(_RETRY_S)


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
