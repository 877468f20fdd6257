"""Consumption over time: what the supply reads in windows, from when a level was set.

Every sample counts as it is read, before anything has come to rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from harness.bench.sample import SupplySample
from harness.profile.check import Check
from harness.profile.level import Level
from harness.profile.window_rules import LONGEST_GAP_FRAC


class Found(NamedTuple):
    """The figure of a window."""

    value: float
    readings: Mapping[str, float]  # means of what was read in it, by quantity; and the figure


@dataclass(slots=True)
class _Window:
    """What one check sees of the samples."""

    check: Check
    averaged_s: float = 0.0  # time that a reading is the mean over; it ends with the reading
    lowest: float = math.inf
    highest: float = -math.inf
    time_s: float = 0.0
    longest_gap_s: float = 0.0
    sums: dict[str, float] = field(default_factory=dict)  # integrals of each reading over time
    before: tuple[float, SupplySample] | None = None

    @property
    def quantity(self) -> str:
        """What is judged of the readings."""
        return self.check.measure.partition(".")[2]

    def add(self, at_s: float, sample: SupplySample) -> None:
        """Take a sample in, so many seconds after the level was set.

        One that is a mean over time counts where all of that time lies within the window.

        Source: The mean of a reading is its trapezoidal integral over the time: textbook.
        """
        from_s, to_s = (self.check.from_s or 0.0) + self.averaged_s, self.check.to_s or 0.0
        if not from_s <= at_s <= to_s:
            if at_s > to_s and self.before is not None:
                self.longest_gap_s = max(self.longest_gap_s, to_s - self.before[0])
            self.before = None
            return
        now = _values(sample)
        value = now[self.quantity]
        self.lowest, self.highest = min(self.lowest, value), max(self.highest, value)
        gap_s = at_s - (from_s if self.before is None else self.before[0])
        self.longest_gap_s = max(self.longest_gap_s, gap_s)
        if self.before is not None:
            before = _values(self.before[1])
            for name in now:
                step = 0.5 * gap_s * (before[name] + now[name])
                self.sums[name] = self.sums.get(name, 0.0) + step
            self.time_s += gap_s
        self.before = at_s, sample

    def found(self) -> Found | None:
        """Return its figure, and what was read meanwhile; None where too little was."""
        check = self.check
        wide_s = (check.to_s or 0.0) - (check.from_s or 0.0)
        left_s = 0.0 if self.before is None else (check.to_s or 0.0) - self.before[0]
        if self.time_s <= 0.0 or max(self.longest_gap_s, left_s) > LONGEST_GAP_FRAC * wide_s:
            return None
        means = {name: total / self.time_s for name, total in self.sums.items()}
        of = {"min": self.lowest, "max": self.highest, "mean": means[self.quantity]}
        value = of[check.figure]
        return Found(value, {**means, self.quantity: value})


class Windows:
    """The windows of a level, from when it is set; of a start, from a level within it.

    ``threshold_v`` is the input voltage from which on the unit works, and ``averaged_s`` the time
    that each reading of the supply is the mean over.
    """

    def __init__(
        self, checks: Iterable[Check], *, threshold_v: float = 0.0, averaged_s: float = 0.0
    ) -> None:
        self._windows = [_Window(check, averaged_s) for check in checks if check.is_windowed]
        self._threshold_v = threshold_v
        self._begin_s: float | None = None
        self._longest_s = max((one.check.to_s or 0.0 for one in self._windows), default=0.0)

    def enter(self, level: Level, now_s: float) -> None:
        """Note that a level is set now; time counts from the first at which the unit works."""
        if self._begin_s is None and level.voltage_v >= self._threshold_v:
            self._begin_s = now_s

    def add(self, sample: SupplySample) -> None:
        """Take a sample in."""
        if self._begin_s is not None:
            for window in self._windows:
                window.add(sample.time_s - self._begin_s, sample)

    def are_over(self, now_s: float) -> bool:
        """Whether no window is open or still to come."""
        return self._begin_s is None or now_s - self._begin_s > self._longest_s

    def found(self) -> list[tuple[Check, Found | None]]:
        """Return each check with its figure, None where too little was read."""
        return [(window.check, window.found()) for window in self._windows]


def _values(sample: SupplySample) -> dict[str, float]:
    return {
        "voltage": sample.voltage_v,
        "current": sample.current_a,
        "power": sample.power_w,
    }
