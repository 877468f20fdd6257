"""The person at the bench, as the engine sees one: moves leads, says yes or no, may stop the run.

Where somebody is asked while power is on, nobody waits for it, and everybody is told that it is.
A request to stop, such as Ctrl-C, is noted at once and obeyed between two messages.
"""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType
from typing import Protocol

from harness.power.off_line import STOP_SIGNALS, OffLine

#: A value, or yes or no, or None where nobody answers; and a note, or empty.
Answer = tuple[float | bool | None, str]


class Operator(Protocol):
    """Who moves leads and answers questions; by itself it does neither.

    Any of these may raise :class:`Interrupted` where the run is to stop.
    """

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Move the meter's leads as the text says; power is off. Whether that was done.

        ``where`` is a place of :data:`harness.profile.check.Across`, an output with its name after
        it where the unit has several.
        """
        return False

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Connect a load by hand, or disconnect it where ``load`` is empty. Whether that was done.

        Power is off.
        """
        return False

    def pull_enable(self, text: str, *, pulled: bool) -> bool:  # noqa: ARG002 - nobody is there
        """Have the enable input pulled or let go, power off; whether it was done."""
        return False

    def move_load(self, output: str, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Connect the electronic load to an output, as the text says; power is off.

        Whether that was done.
        """
        return False

    def turn_leads(self, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Change over the supply's leads at the unit's input, as the text says; power is off.

        Whether that was done.
        """
        return False

    def set_feed(self, text: str, *, lamp: bool) -> bool:  # noqa: ARG002 - nobody is there
        """Make a source that a hand sets ready, as the text says; power is off.

        The variable transformer goes to zero, the lamp into series or (False) not. Whether that was
        done.
        """
        return False

    def turn(self, voltage_v: float, text: str) -> None:
        """Be told what to turn to under power, in volts rms at the unit; must return at once."""

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:  # noqa: ARG002
        """Ask for a value in a unit; None without an answer. The second is a note, or empty."""
        return None, ""

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:  # noqa: ARG002
        """Ask a question; None without an answer. The second is a note, or empty."""
        return None, ""

    def ask_meanwhile(self, prompt: str, unit: str | None) -> None:
        """Ask while power is on, for a value in a unit or (None) for yes or no; return at once.

        That power is on must stay in sight, and what switches off must go on doing so.
        """

    def answer(self) -> Answer | None:
        """Return what was answered to it; None as long as nothing was. It must not wait.

        Raises:
            EOFError: The input has ended: nobody is there to answer any more.
        """
        return None, ""

    def asked_enough(self) -> None:
        """Be told that no answer is waited for any more; must return at once."""

    def confirm(self, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Whether to go on, all the same."""
        return False

    def power_on(self, step: str) -> None:
        """Be told that power comes on now; must return at once."""

    def power_off(self, *, confirmed: bool) -> None:
        """Be told that power is off, or that this cannot be confirmed; must return at once."""


class Nobody(Operator):
    """An operator who answers nothing: what only a person can tell stays undecided."""

    def power_on(self, step: str) -> None:
        """Do nothing."""

    def power_off(self, *, confirmed: bool) -> None:
        """Do nothing."""

    def turn(self, voltage_v: float, text: str) -> None:
        """Do nothing."""


class Interrupted(Exception):
    """The run was asked to stop."""

    def __init__(self, number: int, by_hand: str = "") -> None:
        stopped = f"stopped by {signal.Signals(number).name}"
        super().__init__(f"switched off {by_hand}" if by_hand else stopped)
        self.number = number

    @property
    def exit_code(self) -> int:
        """What a command stopped by it ends with: 128 and its number, as shells have it."""
        return 128 + self.number


class StopRequest:
    """A note that somebody wants the run to stop.

    A signal handler that raised would cut a message in half, perhaps the one that switches off;
    this only leaves a note, and every wait of the engine looks at it. What the engine may wait for
    longest, a meter, must not hold power up: within :meth:`reaching` the keeper is told directly.
    """

    def __init__(self) -> None:
        #: The line to the keeper's process, where there is one.
        self.line: OffLine | None = None
        self._number: int | None = None
        self._by_hand = ""

    @contextlib.contextmanager
    def reaching(self, line: OffLine) -> Iterator[None]:
        """Have whoever wants the run to stop heard on a line as well, until the block ends."""
        self.line = line
        if self._number is not None:  # before there was a line
            line.say(self._by_hand or self._number)
        try:
            with line.saying_signals():
                yield
        finally:
            self.line = None

    @property
    def number(self) -> int:
        """The signal that was noted; where none was, the one that a stop by hand counts as."""
        return signal.SIGINT if self._number is None else self._number

    def by_hand(self, how: str) -> None:
        """Note that a person wants power off now, and how that was said: as Ctrl-C, from anywhere.

        Any thread may call it.
        """
        if self._number is None:
            self._by_hand = how
            self._number = signal.SIGINT
        if (line := self.line) is not None:
            line.say(how)

    def note(self, number: int, _frame: FrameType | None = None) -> None:
        """Note a signal; fits :func:`signal.signal`."""
        self._number = number
        if (line := self.line) is not None:
            line.say(number)

    def raise_if_requested(self) -> None:
        """Raise :class:`Interrupted` if somebody wants the run to stop."""
        if self._number is not None:
            raise Interrupted(self._number, self._by_hand)


@contextlib.contextmanager
def stop_on_signals(stop: StopRequest) -> Iterator[None]:
    """Note the signals that end a program, for as long as the block runs."""
    before = [(number, signal.signal(number, stop.note)) for number in STOP_SIGNALS]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)
