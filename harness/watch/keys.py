"""Keys that act at once: read raw while power is on, and left alone otherwise.

Ctrl-C goes its own way, as a signal.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

#: What switches off: space, q, escape.
OFF_KEYS = frozenset(" qQ\x1b")
#: A key is seen within this time.
_LOOK_S = 0.02
_INPUT = 0


class OffKeys:
    """Calls somebody when one of the keys is pressed, from a thread of its own."""

    def __init__(self, pressed: Callable[[], None]) -> None:
        self._pressed = pressed
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

    def stop(self) -> None:
        """Leave the keys alone again, before this returns."""
        thread, self._thread = self._thread, None
        if thread is not None:
            self._done.set()
            thread.join(1.0)

    def _watch(self) -> None:
        with contextlib.suppress(OSError), _raw():  # a terminal that is gone: the signal says so
            while not self._done.is_set():
                if any(key in OFF_KEYS for key in _typed()):
                    self._pressed()


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
        return keys.decode("latin-1")
