"""Lines of standard input, read by a thread of its own, so that whoever waits may stop waiting."""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading


class TypedLines:
    """Lines of standard input, each read when it is wanted and not before."""

    def __init__(self) -> None:
        self.read: queue.SimpleQueue[str | None] = queue.SimpleQueue()  # None: the end
        self._wanted: queue.SimpleQueue[None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._rest = b""
        self._reading = False

    def want(self) -> None:
        """Have one line read; what was typed before the question is no answer to it."""
        _forget_typed()
        if self._reading:  # for a question that nobody waits for any more: its line is this one's
            return
        self._reading = True
        if self._thread is None:
            self._thread = threading.Thread(target=self._read, name="prompt", daemon=True)
            self._thread.start()
        self._wanted.put(None)

    def _read(self) -> None:
        while True:
            self._wanted.get()
            line = self._line()
            self._reading = False
            self.read.put(line)

    def _line(self) -> str | None:
        # Past the buffer of sys.stdin: a thread that waits in there would hold up the end of the
        # program.
        encoding = getattr(sys.stdin, "encoding", None) or "utf-8"
        while b"\n" not in self._rest:
            try:
                piece = os.read(0, 4096)
            except OSError:  # closed, or a terminal that is gone
                piece = b""
            if not piece:
                return None
            self._rest += piece
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode(encoding, errors="replace").strip()


def _forget_typed() -> None:
    """Throw away what a terminal has in store; answers from a file or pipe stay."""
    with contextlib.suppress(OSError):  # no terminal any more; the next read says so
        if not os.isatty(0):
            return
        if sys.platform == "win32":
            import msvcrt

            while msvcrt.kbhit():
                msvcrt.getwch()
        else:
            import termios

            termios.tcflush(0, termios.TCIFLUSH)
