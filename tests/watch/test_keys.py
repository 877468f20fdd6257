"""Keys that switch off, and a line that is typed beside them, on a terminal of the system."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from harness.watch.keys import OffKeys

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are of POSIX", allow_module_level=True)


class Keyboard:
    """A pseudo-terminal with the keys under test behind it."""

    def __init__(self, hand: int) -> None:
        self._hand = hand
        self.pressed = threading.Event()
        self.keys = OffKeys(self.pressed.set)

    def type(self, text: str) -> None:
        """Type a text."""
        os.write(self._hand, text.encode())


def until(true: Callable[[], bool]) -> bool:
    """Wait until something is so, but not for long."""
    end_s = time.monotonic() + 10.0
    while not true():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.01)
    return True


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[Keyboard]:
    """A keyboard whose keys are watched."""
    hand, terminal = os.openpty()
    monkeypatch.setattr("harness.watch.keys._INPUT", terminal)
    monkeypatch.setattr("harness.watch.keys._at_a_keyboard", lambda: True)
    board = Keyboard(hand)
    assert board.keys.start()
    yield board
    board.keys.stop()
    for each in (hand, terminal):
        with contextlib.suppress(OSError):
            os.close(each)


class TestALine:
    def test_keys_are_gathered_until_enter(self, keyboard: Keyboard) -> None:
        """What is typed is seen at once, taken back by backspace, and a line by Enter."""
        keyboard.keys.want_line()
        keyboard.type("42\x7f1.5")
        assert until(lambda: keyboard.keys.typed == "41.5")
        assert keyboard.keys.line() is None
        keyboard.type("\u00b0C\r")

        assert until(lambda: keyboard.keys.typed == "")
        assert keyboard.keys.line() == "41.5\u00b0C"
        assert keyboard.keys.line() is None
        assert not keyboard.pressed.is_set()

    @pytest.mark.parametrize("key", [" ", "q", "Q", "\x1b"])
    def test_what_switches_off_goes_on_doing_so(self, keyboard: Keyboard, key: str) -> None:
        """In the middle of a line each of the keys switches off, and is no part of the line."""
        keyboard.keys.want_line()
        keyboard.type(f"4{key}1")

        assert keyboard.pressed.wait(10.0)
        assert until(lambda: keyboard.keys.typed == "41")

    def test_nothing_is_gathered_where_nobody_asks(self, keyboard: Keyboard) -> None:
        """Keys before a question, and after it, are no answer."""
        keyboard.type("yes\r")
        time.sleep(0.2)
        keyboard.keys.want_line()
        assert keyboard.keys.line() is None
        keyboard.keys.no_line()
        keyboard.type("no\r")
        time.sleep(0.2)

        assert keyboard.keys.line() is None
        assert keyboard.keys.typed is None
