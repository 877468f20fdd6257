"""Samples on their way from the keeper to the engine: never more than the engine has room for.

Pure: samples and room in, samples out.
"""

from __future__ import annotations

from collections.abc import Callable
from operator import attrgetter

from harness.bench.sample import SupplySample

__all__ = ["MOST_HELD", "WINDOW", "Outlet"]

#: So many samples may be on their way at a time. An engine takes one in about 0.15 ms, so that even
#: behind a full window it is 10 ms late, well inside the 50 ms that a sample may be old. At 400
#: samples a second a window bridges 160 ms, which most meters need, without leaving one out.
WINDOW = 64

_QUANTITIES = tuple(map(attrgetter, ("voltage_v", "current_a", "power_w")))

#: So many samples are held back at most: the latest, and two extremes of each quantity.
MOST_HELD = 1 + 2 * len(_QUANTITIES)


class Outlet:
    """Lets samples out while there is room.

    While there is none, it holds back the latest sample, and those with the extremes of voltage,
    current and power since there was room: nothing extreme is lost, and the latest is never old.

    Args:
        send: Called with every sample that goes out, in order of time.
    """

    def __init__(self, send: Callable[[SupplySample], None]) -> None:
        self._send = send
        self._room = WINDOW
        self._latest: SupplySample | None = None
        self._extremes: list[tuple[SupplySample, SupplySample]] = []

    def add(self, sample: SupplySample) -> None:
        """Let a sample out, or hold it back."""
        if self._room > 0:
            self._room -= 1
            self._send(sample)
        elif self._latest is None:
            self._latest = sample
            self._extremes = [(sample, sample)] * len(_QUANTITIES)
        else:
            self._latest = sample
            self._extremes = [
                (min(low, sample, key=quantity), max(high, sample, key=quantity))
                for quantity, (low, high) in zip(_QUANTITIES, self._extremes, strict=True)
            ]

    def make_room(self, count: int) -> None:
        """Note that the engine has taken so many samples."""
        self._room += count
        if self._room > 0:
            self.flush()

    def flush(self) -> None:
        """Let out what is held back, room or not: something is to be said that comes after it."""
        if self._latest is None:
            return
        held = {self._latest, *(sample for pair in self._extremes for sample in pair)}
        self._latest = None
        self._room -= len(held)
        for sample in sorted(held, key=attrgetter("time_s")):
            self._send(sample)
