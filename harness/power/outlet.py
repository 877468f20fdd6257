"""What of the keeper's samples goes to the engine, and what is held back while it has no room."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from operator import attrgetter

from harness.bench.sample import SupplySample
from harness.power.channel import WINDOW

#: What is held back for: the least and the most of each quantity.
EXTREMES = tuple(
    itertools.product((min, max), map(attrgetter, ("voltage_v", "current_a", "power_w")))
)


class Outlet:
    """Lets samples out to the engine while it has room (pure).

    While there is none, it holds back the latest sample, and those with the extremes of voltage,
    current and power since there was room: nothing extreme is lost, and the latest is never old.
    """

    def __init__(self, send: Callable[[SupplySample], None]) -> None:
        self._send = send
        self._room = WINDOW
        self._latest: SupplySample | None = None
        self._extremes: list[SupplySample] = []

    def add(self, sample: SupplySample) -> None:
        """Let a sample out, or hold it back."""
        if self._room > 0:
            self._room -= 1
            self._send(sample)
            return
        held = [sample] * len(EXTREMES) if self._latest is None else self._extremes
        self._extremes = [
            extreme(known, sample, key=quantity)
            for known, (extreme, quantity) in zip(held, EXTREMES, strict=True)
        ]
        self._latest = sample

    def make_room(self, count: int) -> None:
        """Note that the engine has taken so many samples."""
        self._room += count
        if self._room > 0:
            self.flush()

    def flush(self) -> None:
        """Let out what is held back, room or not: something is to be said that comes after it."""
        if self._latest is None:
            return
        held = {self._latest, *self._extremes}
        self._latest = None
        self._room -= len(held)
        for sample in sorted(held, key=attrgetter("time_s")):
            self._send(sample)
