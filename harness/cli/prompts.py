"""The operator at the terminal: guided prompts that a signal can end at any moment.

A signal only leaves a note (:mod:`harness.run.stop`), and a plain ``input()`` would go on waiting.
So a thread waits for the line, and the prompt looks at the note ten times a second.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
import time

from harness.cli.screen import Screen
from harness.quantity import QuantityError, format_quantity, parse_quantity
from harness.run.stop import StopRequest

__all__ = ["TerminalOperator"]

_LOOK_S = 0.1
#: Longest wait for a terminal to show that power comes on; one that is held up holds up no run.
_SHOWN_S = 1.0
_YES, _NO, _SKIP = ("yes", "y"), ("no", "n"), ("skip", "?")


class TerminalOperator:
    """Fulfils the engine's port for the person at the terminal.

    Args:
        stop: Whether somebody wants to stop.
    """

    def __init__(self, stop: StopRequest) -> None:
        self._stop = stop
        self._lines = _Lines()
        self._screen = Screen()

    def power_on(self, step: str) -> None:
        """Say that power comes on; no word of an output that is off stays on the screen."""
        self._screen.say(f"POWER ON {_clock()}, {step}. Ctrl-C switches off.\n", afresh=True)
        self._screen.wait(_SHOWN_S)  # power is still off: it may wait a moment

    def power_off(self, *, confirmed: bool) -> None:
        """Say that power is off, or what to do where that is not known."""
        if confirmed:
            self._screen.say(f"OUTPUT OFF {_clock()}\n")
        else:
            self._screen.say("CUT THE MAINS OF THE SUPPLY NOW\n", afresh=True)

    def wait(self) -> None:
        """Wait until the screen shows all that was said, but not for long."""
        self._screen.wait(_SHOWN_S)

    def _say(self, text: str) -> None:
        """Say something while power is off: what is printed next comes after it."""
        self._screen.say(text)
        self.wait()

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - the text says where
        """Have the meter's leads moved."""
        return self._done(text)

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - the text says which
        """Have a load connected or taken off."""
        return self._done(text)

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Ask for a value with its unit until there is one; ``skip`` leaves it undecided."""
        hint = "a plain number" if unit == "1" else f"value with unit ({unit})"
        question = f"{prompt}\n  {hint}, or skip; a note may follow after #"
        while (answer := self._ask(question)) is not None:
            text, note = _noted(answer)
            if text.casefold() in _SKIP:
                return None, note
            try:
                value = parse_quantity(text, unit)
            except QuantityError as error:
                self._say(f"  {error}\n")
                continue
            self._say(f"  taken as {format_quantity(value, unit)}\n")
            return value, note
        return None, ""

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
        """Ask until the answer is yes, no or skip."""
        question = f"{prompt}\n  yes, no or skip; a note may follow after #"
        while (answer := self._ask(question)) is not None:
            text, note = _noted(answer)
            word = text.casefold()
            if word in (*_YES, *_NO):
                return word in _YES, note
            if word in _SKIP:
                return None, note
            self._say("  please answer yes, no or skip\n")
        return None, ""

    def confirm(self, text: str) -> bool:
        """Ask until the answer is yes or no."""
        while (answer := self._ask(f"{text}\n  yes or no")) is not None:
            if answer.casefold() in (*_YES, *_NO):
                return answer.casefold() in _YES
            self._say("  please answer yes or no\n")
        return False

    def _done(self, text: str) -> bool:
        """Ask until it is done, or cannot be done."""
        question = f"{text}\n  Enter when that is done, no if it cannot be done"
        while (answer := self._ask(question)) is not None:
            if answer.casefold() in ("", "done", *_YES):
                return True
            if answer.casefold() in _NO:
                return False
            self._say("  please press Enter, or answer no\n")
        return False

    def _ask(self, text: str) -> str | None:
        """Show a prompt and wait for a line; None where there will be none.

        Raises:
            Interrupted: Somebody wants to stop.
        """
        self._lines.want()
        self._say(f"\n{text}\n> ")
        while True:
            self._stop.raise_if_requested()
            with contextlib.suppress(queue.Empty):
                answer = self._lines.take(_LOOK_S)
                if answer is None:
                    self._say("\n  nobody is there to answer\n")
                return answer


class _Lines:
    """Lines of standard input, each read when it is wanted and not before."""

    def __init__(self) -> None:
        self._wanted: queue.SimpleQueue[None] = queue.SimpleQueue()
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._rest = b""

    def want(self) -> None:
        """Have one line read; what was typed before the question is no answer to it."""
        _forget_typed()
        if self._thread is None:
            self._thread = threading.Thread(target=self._read, name="prompt", daemon=True)
            self._thread.start()
        self._wanted.put(None)

    def take(self, longest_s: float) -> str | None:
        """Return the line, stripped; None at the end of the input.

        Raises:
            queue.Empty: It has not come yet.
        """
        return self._lines.get(timeout=longest_s)

    def _read(self) -> None:
        while True:
            self._wanted.get()
            self._lines.put(self._line())

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
    try:
        if not os.isatty(0):
            return
        if sys.platform == "win32":
            import msvcrt

            while msvcrt.kbhit():
                msvcrt.getwch()
        else:
            import termios

            termios.tcflush(0, termios.TCIFLUSH)
    except OSError:
        return  # no terminal any more; the next read says so


def _clock() -> str:
    return time.strftime("%H:%M:%S")


def _noted(answer: str) -> tuple[str, str]:
    """Split an answer from the note behind ``#``."""
    text, _, note = answer.partition("#")
    return text.strip(), note.strip()
