"""The operator at the terminal: guided prompts that a signal can end at any moment.

A signal only leaves a note (:mod:`harness.run.operator`), and a plain ``input()`` would go on
waiting. So a thread waits for the line, and the prompt looks at the note ten times a second.
"""

from __future__ import annotations

import contextlib
import queue
import shutil
import textwrap
import time
from collections.abc import Mapping
from typing import TypeVar

from harness.cli.asking import YES_NO, Reader, until_understood
from harness.cli.typed_lines import TypedLines
from harness.errors import CUT_MAINS, UsageError
from harness.files.field_types import read_line
from harness.quantity import format_quantity, parse_in, unit_of
from harness.run.operator import Answer, StopRequest
from harness.watch.screen import Screen
from harness.watch.terminal import RunScreen

_LOOK_S = 0.1
#: No terminal is folded for that is narrower.
_NARROWEST = 39
#: Longest wait for a terminal to show that power comes on; one that is held up holds up no run.
_SHOWN_S = 1.0

#: What answers the other questions: none of it is a serial number.
_ANSWERS = frozenset(YES_NO) | {"skip", "done", "?"}

_T = TypeVar("_T")


class TerminalOperator:
    """Fulfils the engine's port for the person at the terminal."""

    def __init__(self, stop: StopRequest) -> None:
        self._stop = stop
        self._lines = TypedLines()
        self._screen = Screen()
        self._read_live: Reader[float | bool] = _live_reader(None)

    def power_on(self, step: str) -> None:
        """Say that power comes on; no word of an output that is off stays on the screen."""
        now = time.strftime("%H:%M:%S")
        self._screen.say(f"POWER ON {now}, {step}. Ctrl-C switches off.\n", afresh=True)
        self._screen.wait(_SHOWN_S)  # power is still off: it may wait a moment

    def power_off(self, *, confirmed: bool) -> None:
        """Say that power is off, or what to do where that is not known."""
        if confirmed:
            self._screen.say(f"OUTPUT OFF {time.strftime('%H:%M:%S')}\n")
        else:
            self._screen.say(f"{CUT_MAINS}\n", afresh=True)

    def wait(self) -> None:
        """Wait until the screen shows all that was said, but not for long."""
        self._screen.wait(_SHOWN_S)

    def _say(self, text: str) -> None:
        """Say something while power is off: what is printed next comes after it."""
        self._screen.say(text)
        self.wait()

    def _show_question(self, text: str) -> None:
        """Show a question; what is typed comes after it."""
        self._say(text)

    def _answered(self) -> None:
        """Be told that no answer is waited for any more."""

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - the text says where
        """Have the meter's leads moved."""
        return self._done(text)

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - the text says which
        """Have a load connected or taken off."""
        return self._done(text)

    def pull_enable(self, text: str, *, pulled: bool) -> bool:  # noqa: ARG002 - the text says which
        """Have the enable input pulled or let go."""
        return self._done(text)

    def move_load(self, output: str, text: str) -> bool:  # noqa: ARG002 - the text says which
        """Have the electronic load connected to another output."""
        return self._done(text)

    def turn_leads(self, text: str) -> bool:
        """Have the supply's leads changed over."""
        return self._done(text)

    def set_feed(self, text: str, *, lamp: bool) -> bool:  # noqa: ARG002 - the text says it
        """Have a source that is set by hand made ready."""
        return self._done(text)

    def turn(self, voltage_v: float, text: str) -> None:  # noqa: ARG002 - the text says it
        """Say what to turn to, with power on."""
        self._screen.say(f"POWER ON. {text}\n")

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Ask for a value with its unit until there is one; ``skip`` leaves it undecided."""

        def read(text: str) -> float:
            value = parse_in(text, unit)
            self._say(f"  taken as {format_quantity(value, unit_of(unit) or unit)}\n")
            return value

        return self._ask_with_note(f"{prompt}\n  {_hint(unit)}, or skip", read)

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
        """Ask until the answer is yes, no or skip."""
        read = _word(YES_NO, "please answer yes, no or skip")
        return self._ask_with_note(f"{prompt}\n  yes, no or skip", read)

    def ask_meanwhile(self, prompt: str, unit: str | None) -> None:
        """Ask while power is on, and go on; see :class:`harness.run.operator.Operator`."""
        self._read_live = _live_reader(unit)
        self._begin_line(f"{prompt}\n  {_hint(unit)}, then Enter; skip leaves it open")

    def answer(self) -> Answer | None:
        """Return what was typed since, if it can be understood; never wait for it."""
        line = self._next_line()
        if line is None:
            return None
        text, _, note = line.partition("#")
        if text.strip().casefold() in {"skip", "?"}:
            return None, note.strip()
        try:
            return self._read_live(text.strip()), note.strip()
        except ValueError as error:
            self._not_understood(str(error))
            return None

    def asked_enough(self) -> None:
        """End asking."""

    def _begin_line(self, text: str) -> None:
        """Show a question with power on, and have a line typed."""
        self._screen.say(f"\nPOWER IS ON. {text}\n> ")
        self._lines.want()

    def _next_line(self) -> str | None:
        """Return a line that was typed; None where there is none yet. It must not wait.

        Raises:
            EOFError: There will be none any more.
        """
        try:
            line = self._lines.read.get_nowait()
        except queue.Empty:
            return None
        if line is None:
            raise EOFError
        return line

    def _not_understood(self, problem: str) -> None:
        """Say what is wrong with a line, and have another one typed."""
        self._screen.say(f"  {problem}\nPOWER IS ON > ")
        self._lines.want()

    def ask_serial(self) -> str:
        """Ask for the serial number of the unit, by hand or by scanner; Enter alone is none.

        Raises:
            UsageError: Nobody answers.
        """
        serial = self._until_understood(
            "Serial number of the unit: type it, or scan it", _serial, otherwise=""
        )
        if not serial:
            raise UsageError("no serial number", where="--serial", remedy="give it, or answer")
        return serial

    def confirm(self, text: str) -> bool:
        """Ask until the answer is yes or no."""
        read = _word(YES_NO, "please answer yes or no")
        return self._until_understood(f"{text}\n  yes or no", read, otherwise=False)

    def _done(self, text: str) -> bool:
        question = f"{text}\n  Enter when that is done, no if it cannot be done"
        read = _word(YES_NO | {"": True, "done": True}, "please press Enter, or answer no")
        return self._until_understood(question, read, otherwise=False)

    def _ask_with_note(self, question: str, read: Reader[_T]) -> tuple[_T | None, str]:
        def read_both(answer: str) -> tuple[_T | None, str]:
            text, _, note = answer.partition("#")
            skipped = text.strip().casefold() in {"skip", "?"}
            return None if skipped else read(text.strip()), note.strip()

        nobody: tuple[_T | None, str] = (None, "")
        return self._until_understood(f"{question}; a note may follow after #", read_both, nobody)

    def _until_understood(self, question: str, read: Reader[_T], otherwise: _T) -> _T:
        """Ask until the answer can be read; where nobody answers any more, it is `otherwise`."""
        try:
            return until_understood(
                lambda: self._ask(question), read, lambda error: self._say(f"  {error}\n")
            )
        except EOFError:
            self._say("\n  no answer: the input has ended\n")
            return otherwise
        finally:
            self._answered()

    def _ask(self, text: str) -> str:
        """Show a prompt and wait for a line; EOFError where there will be none any more."""
        self._lines.want()
        self._show_question(f"\n{_folded(text)}\n> ")
        while True:
            self._stop.raise_if_requested()
            with contextlib.suppress(queue.Empty):
                answer = self._lines.read.get(timeout=_LOOK_S)
                if answer is None:
                    raise EOFError
                return answer


class WatchingOperator(TerminalOperator):
    """The person at a terminal that shows the run."""

    def __init__(self, stop: StopRequest) -> None:
        super().__init__(stop)
        self.shown = RunScreen(self._screen, stop.by_hand)
        self._by_keys = False  # a line is typed beside the keys that switch off

    def power_on(self, step: str) -> None:
        """Show that power comes on."""
        self.shown.power_on(step)

    def power_off(self, *, confirmed: bool) -> None:
        """Show that power is off, or what to do where that is not known."""
        self.shown.power_off(confirmed=confirmed)

    def turn(self, voltage_v: float, text: str) -> None:
        """Leave it to the screen, which has it from the journal."""

    def wait(self) -> None:
        """End showing, once the screen has all that was said, but not for long."""
        self.shown.end()

    def _say(self, text: str) -> None:
        self.shown.say(text)

    def _show_question(self, text: str) -> None:
        self.shown.ask(text)

    def _begin_line(self, text: str) -> None:
        self._by_keys = self.shown.ask_live(text)
        if not self._by_keys:
            super()._begin_line(text)

    def _next_line(self) -> str | None:
        return self.shown.typed_line() if self._by_keys else super()._next_line()

    def _not_understood(self, problem: str) -> None:
        if self._by_keys:
            self.shown.not_understood(problem)
        else:
            super()._not_understood(problem)

    def asked_enough(self) -> None:
        """Show the run alone again."""
        self.shown.asked_enough()

    def _answered(self) -> None:
        self.shown.go_on()


def _folded(text: str) -> str:
    """Fold the lines of a question at words; what follows a line's first part is indented with it.

    A terminal would cut a word in two.
    """
    width = max(shutil.get_terminal_size().columns - 1, _NARROWEST)
    lines = []
    for line in text.split("\n"):
        inset = line[: len(line) - len(line.lstrip())]
        lines.append(
            textwrap.fill(
                line.strip(),
                width,
                initial_indent=inset,
                subsequent_indent=2 * inset,
                break_long_words=False,
                break_on_hyphens=False,
            )
        )
    return "\n".join(lines)


def _hint(unit: str | None) -> str:
    """Say what an answer looks like, in a unit or (None) as yes or no."""
    if unit is None:
        return "yes or no"
    return "a plain number" if unit == "1" else f"a value in {unit}, or with its unit"


def _live_reader(unit: str | None) -> Reader[float | bool]:
    if unit is None:
        return _word(YES_NO, "please answer yes, no or skip")
    return lambda text: parse_in(text, unit)


def _serial(answer: str) -> str:
    """Read a serial number; what answers another question was typed too early or too late."""
    if answer.casefold() in _ANSWERS:
        raise ValueError(f"{answer!r} answers another question; a serial number is wanted")
    return read_line(answer)


def _word(known: Mapping[str, bool], wanted: str) -> Reader[bool]:
    """Return a reader of a known word, in whatever case it is typed."""

    def read(answer: str) -> bool:
        if answer.casefold() not in known:
            raise ValueError(wanted)
        return known[answer.casefold()]

    return read
