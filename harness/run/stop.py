"""Requests to stop, such as Ctrl-C, noted at once and obeyed between two messages."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType

#: SIGHUP (a closed terminal) and SIGBREAK exist on one kind of system each.
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Interrupted(Exception):
    """The run was asked to stop."""

    def __init__(self, number: int) -> None:
        super().__init__(f"stopped by {signal.Signals(number).name}")
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

    def note(self, number: int, _frame: FrameType | None = None) -> None:
        """Note a signal; fits :func:`signal.signal`."""
        self._number = number

    def raise_if_requested(self) -> None:
        """Raise :class:`Interrupted` if somebody wants the run to stop."""
        if self._number is not None:
            raise Interrupted(self._number)


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
