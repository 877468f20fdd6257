"""Keys that act at once: read raw while power is on, and left alone otherwise.

Ctrl-C goes its own way, as a signal. A line may be typed meanwhile: what switches off is no part of
it, and goes on switching off.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from queue import Empty, SimpleQueue
from typing import Any

#: What switches off: space, q, escape.
OFF_KEYS = frozenset(" qQ\x1b")
#: A key is seen within this time.
_LOOK_S = 0.02
_INPUT = 0


#: What ends a line, and what takes back the last key of it.
_ENTER, _BACK = frozenset("\r\n"), frozenset("\x7f\b")
#: Longest line that is kept.
_LONGEST = 60


class OffKeys:
    """Calls somebody when one of the keys is pressed, from a thread of its own."""

    def __init__(self, pressed: Callable[[], None]) -> None:
        self._pressed = pressed
        self.typed: str | None = None  # of the line that is waited for; None: none is
        self._lines: SimpleQueue[str] = SimpleQueue()
        self._done = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> bool:
        """Watch the keys from now on; False where there are none to watch."""
        if self._thread is not None or not _at_a_keyboard():
            return self._thread is not None
        self._done.clear()
        thread = threading.Thread(target=self._watch, name="keys", daemon=True)
        try:
            thread.start()
        except RuntimeError:  # no thread to be had: Ctrl-C is left
            return False
        self._thread = thread
        return True

    @property
    def watched(self) -> bool:
        """Whether the keys are watched."""
        thread = self._thread
        return thread is not None and thread.is_alive()

    def want_line(self) -> None:
        """Take the keys that do not switch off for a line, from now on."""
        while self.line() is not None:
            pass  # what came too late for the question before
        self.typed = ""

    def line(self) -> str | None:
        """Return a line that was ended by Enter, once; None where there is none."""
        with contextlib.suppress(Empty):
            return self._lines.get_nowait()
        return None

    def no_line(self) -> None:
        """Leave the other keys alone again."""
        self.typed = None

    def stop(self) -> None:
        """Leave the keys alone again, before this returns."""
        thread, self._thread = self._thread, None
        if thread is not None:
            self._done.set()
            thread.join(1.0)

    def _watch(self) -> None:
        with contextlib.suppress(OSError), _raw():  # a terminal that is gone: the signal says so
            while not self._done.is_set():
                keys = _typed()
                if any(key in OFF_KEYS for key in keys):
                    self._pressed()
                for key in keys:
                    self._take(key)

    def _take(self, key: str) -> None:
        typed = self.typed
        if typed is None:
            return
        if key in _ENTER:
            self._lines.put(typed)
            self.typed = ""
        elif key in _BACK:
            self.typed = typed[:-1]
        elif key.isprintable() and key not in OFF_KEYS and len(typed) < _LONGEST:
            self.typed = typed + key


def _at_a_keyboard() -> bool:
    """Whether standard input is a terminal, and ours: one in the background must not be touched."""
    try:
        if not os.isatty(_INPUT):
            return False
        return sys.platform == "win32" or os.tcgetpgrp(_INPUT) == os.getpgrp()
    except OSError:
        return False


if sys.platform == "win32":

    @contextlib.contextmanager
    def _raw() -> Iterator[None]:
        yield

    def _typed() -> str:
        """Return what was typed, after a short wait for it. From memory; run on Linux only."""
        import msvcrt

        keys = ""
        while msvcrt.kbhit():
            keys += msvcrt.getwch()
        if not keys:
            time.sleep(_LOOK_S)
        return keys

else:

    @contextlib.contextmanager
    def _raw() -> Iterator[None]:
        """Have keys come one by one and unseen while the block runs; signals stay signals."""
        import termios

        before = termios.tcgetattr(_INPUT)
        raw: list[Any] = [*before]
        raw[3] &= ~(termios.ECHO | termios.ICANON)
        raw[6] = [*before[6]]
        raw[6][termios.VMIN], raw[6][termios.VTIME] = 1, 0
        # at once: a change that waits for the output waits for whoever does not read it
        termios.tcsetattr(_INPUT, termios.TCSANOW, raw)
        try:
            yield
        finally:
            if _at_a_keyboard():
                termios.tcsetattr(_INPUT, termios.TCSANOW, before)

    def _typed() -> str:
        """Return what was typed, after a short wait for it."""
        import select

        if not select.select([_INPUT], [], [], _LOOK_S)[0]:
            return ""
        if not _at_a_keyboard():
            time.sleep(_LOOK_S)
            return ""
        keys = os.read(_INPUT, 256)
        if not keys:
            raise OSError("the terminal is gone")
        return keys.decode("utf-8", errors="ignore")
