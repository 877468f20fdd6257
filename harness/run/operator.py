"""The person at the bench, as the engine sees one: moves leads, says yes or no, may stop the run.

Nobody is asked anything while power is on, and everybody is told that it is. A request to stop,
such as Ctrl-C, is noted at once and obeyed between two messages.
"""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType
from typing import Protocol

#: SIGHUP (a closed terminal) and SIGBREAK exist on one kind of system each.
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Operator(Protocol):
    """Who moves leads and answers questions; by itself it does neither.

    Any of these may raise :class:`Interrupted` where the run is to stop.
    """

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Move the meter's leads as the text says; power is off. Whether that was done.

        ``where`` is a place of :data:`harness.profile.check.Across`.
        """
        return False

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Connect a load by hand, or disconnect it where ``load`` is empty. Whether that was done.

        Power is off.
        """
        return False

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:  # noqa: ARG002
        """Ask for a value in a unit; None without an answer. The second is a note, or empty."""
        return None, ""

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:  # noqa: ARG002
        """Ask a question; None without an answer. The second is a note, or empty."""
        return None, ""

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
    this only leaves a note, and every wait of the engine looks at it.
    """

    def __init__(self) -> None:
        self._number: int | None = None
        self._by_hand = ""

    def by_hand(self, how: str) -> None:
        """Note that a person wants power off now, and how that was said: as Ctrl-C, from anywhere.

        Any thread may call it.
        """
        if self._number is None:
            self._by_hand = how
            self._number = signal.SIGINT

    def note(self, number: int, _frame: FrameType | None = None) -> None:
        """Note a signal; fits :func:`signal.signal`."""
        self._number = number

    def raise_if_requested(self) -> None:
        """Raise :class:`Interrupted` if somebody wants the run to stop."""
        if self._number is not None:
            raise Interrupted(self._number, self._by_hand)


@contextlib.contextmanager
def stop_on_signals(stop: StopRequest) -> Iterator[None]:
    """Note the signals that end a program, for as long as the block runs."""
    numbers = [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]
    before = [(number, signal.signal(number, stop.note)) for number in numbers]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)
