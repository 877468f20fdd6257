"""Standard output for the time of a run: whoever says something never waits for a reader."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import threading
import time
from queue import SimpleQueue
from typing import Any, Literal, TextIO

#: Pause before a stream that takes nothing at the moment is tried again.
_RETRY_S = 0.05


class Screen:
    """Standard output, or error, for the time of a run: whoever says something never waits.

    A thread of its own writes, past Python's buffer, whose lock would hold up the end of the
    program where a full pipe holds up the thread. What cannot be written is lost, and nothing else.
    """

    def __init__(self, stream: Literal["stdout", "stderr"] = "stdout") -> None:
        self._stream = stream
        self._said: SimpleQueue[str | threading.Event] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._writing = False

    def say(self, text: str, *, afresh: bool = False) -> None:
        """Have a text with its line ends written; `afresh`, a terminal begins a new screen with it.

        What stood there is scrolled up, not lost.
        """
        if self._thread is None:
            with contextlib.suppress(OSError, ValueError, AttributeError):  # closed, or none
                getattr(sys, self._stream).flush()  # what was printed before comes first
            thread = threading.Thread(target=self._write, name="screen", daemon=True)
            with contextlib.suppress(RuntimeError):  # no thread to be had
                thread.start()
                self._thread = thread
        self._said.put(f"{_scrolled()}{text}" if afresh else text)
        if self._thread is None:  # power is off as long as nothing was said of it
            while not self._said.empty():
                self._write_one()

    @property
    def busy(self) -> bool:
        """Whether something that was said is not written yet."""
        return self._writing or not self._said.empty()

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
        self._writing = True
        if isinstance(said, threading.Event):
            said.set()
        else:
            with contextlib.suppress(OSError, ValueError):  # nobody reads any more
                _put(said, getattr(sys, self._stream))
        self._writing = False


def _put(text: str, stream: TextIO | None) -> None:
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
    return f"{lines}\x1b[H" if knows_cursor() else lines


def terminal_size() -> os.terminal_size:
    """Return the size of the terminal itself, before what an environment may say of another one."""
    try:
        size = os.get_terminal_size(sys.stdout.fileno())
    except (OSError, ValueError, AttributeError):  # none, or a stream in memory
        return shutil.get_terminal_size()
    return size if size.columns and size.lines else shutil.get_terminal_size()


def knows_cursor() -> bool:
    """Whether standard output is a terminal that moves its cursor where it is told to."""
    try:
        if not sys.stdout.isatty():
            return False
    except (ValueError, AttributeError):  # closed, or none
        return False
    if sys.platform == "win32" and not _console_takes_sequences():
        return False
    return sys.platform == "win32" or os.environ.get("TERM", "dumb") not in {"dumb", "unknown", ""}


def _console_takes_sequences() -> bool:
    """Have a Windows console understand what moves its cursor; False for one that does not.

    Source: SetConsoleMode (consoleapi.h), ENABLE_VIRTUAL_TERMINAL_PROCESSING. From memory; run on
        Linux only.
    """
    import ctypes

    kernel: Any = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined,unused-ignore]
    mode, console = ctypes.c_ulong(), kernel.GetStdHandle(-11)
    if not kernel.GetConsoleMode(console, ctypes.byref(mode)):
        return False
    return bool(kernel.SetConsoleMode(console, mode.value | 0x0004))
