"""The way to the keeper on which nothing can be said but off, past whatever the engine is doing.

A pipe to the keeper's process. The program that leads the run has its writing end, and so has the
process of its page. Signals are written into it by the interpreter itself as they come in, even
while the engine waits for a meter. One byte says who wants power off; any other byte says nothing.
Once off has been said no power comes any more in that run: the keeper has tripped.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from typing import Any

#: SIGHUP (a closed terminal) and SIGBREAK exist on one kind of system each.
_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
#: The signals that end a run.
STOP_SIGNALS = tuple(getattr(signal, name) for name in _NAMES if hasattr(signal, name))

#: How a person may say it, each with its byte; signals have their numbers, which are below 65.
_BY_HAND = {"by a key": b"k", "on the page": b"p", "by hand": b"h"}
_WORDS = {
    **{byte: f"switched off {how}" for how, byte in _BY_HAND.items()},
    **{bytes([number]): f"stopped by {number.name}" for number in STOP_SIGNALS},
}


class OffLine:
    """Both ends, in the process that leads the run; closed when that run is over."""

    def __init__(self) -> None:
        self._closing = threading.RLock()  # a signal may come while its own thread has it
        self._closed = False
        self.reader, self.writer = os.pipe()
        if sys.platform != "win32":
            os.set_blocking(self.writer, False)

    def say(self, who: str | int) -> None:
        """Say who wants power off, a person in words or a signal by its number; any thread may."""
        with self._closing:
            if not self._closed:
                say_off(self.writer, who)

    @contextlib.contextmanager
    def saying_signals(self) -> Iterator[None]:
        """Have signals that the program handles said as they come in, before it handles them.

        The main thread alone can; where it is another that leads the run, or somebody else has
        signals told to them, they are said as they are handled.
        """
        before: int | None = None
        with contextlib.suppress(ValueError):
            before = signal.set_wakeup_fd(self.writer, warn_on_full_buffer=False)
            if before != -1:
                signal.set_wakeup_fd(before)
        try:
            yield
        finally:
            if before == -1:
                signal.set_wakeup_fd(-1)

    def close(self) -> None:
        """Close both ends; the other processes keep theirs."""
        with self._closing:
            self._closed = True
            for end in (self.reader, self.writer):
                os.close(end)


def say_off(writer: int, who: str | int) -> None:
    """Say off on the writing end of a line; see :meth:`OffLine.say`."""
    with contextlib.suppress(OSError):  # full, so it was said; or closed, so the run is over
        os.write(writer, bytes([who]) if isinstance(who, int) else _BY_HAND.get(who, b"h"))


def hear_off(reader: int) -> str:
    """Wait until off is said, and return who said it, in words; empty where nobody can any more."""
    with contextlib.suppress(OSError):
        while byte := os.read(reader, 1):
            if byte in _WORDS:
                return _WORDS[byte]
    return ""


@contextlib.contextmanager
def inherited(end: int) -> Iterator[tuple[str, dict[str, Any]]]:
    """Let a process that is started meanwhile have an end of a line.

    Given are the argument that tells it which, for :func:`taken_over`, and what starting it needs.
    """
    if sys.platform == "win32":  # from memory; run on Linux only
        import msvcrt

        handle = msvcrt.get_osfhandle(end)
        os.set_handle_inheritable(handle, True)
        try:
            yield (
                str(handle),
                {"startupinfo": subprocess.STARTUPINFO(lpAttributeList={"handle_list": [handle]})},
            )
        finally:
            os.set_handle_inheritable(handle, False)
    else:
        yield str(end), {"pass_fds": (end,)}


def taken_over(argument: str) -> int:
    """Return the end of a line that this process was started with."""
    end = int(argument)
    if sys.platform == "win32":
        import msvcrt

        end = msvcrt.open_osfhandle(end, 0)
    return end
