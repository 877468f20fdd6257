"""The supply's readings of a start, kept level by level until they are weighed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from harness.bench.sample import SupplySample
from harness.judge.start_curve import LevelReadings
from harness.profile.level import Level

#: Most readings of one level that are kept: some seconds of the fastest supply.
_MOST_READINGS = 50_000


@dataclass(slots=True)
class _Entered:
    """One level, as it is read."""

    level: Level
    set_s: float
    samples: list[SupplySample] = field(default_factory=list)


class StartLog:
    """Keeps what the supply reads of a start, level by level; the context hands it over."""

    def __init__(self) -> None:
        self._entered: list[_Entered] = []

    def begin(self, level: Level, now_s: float) -> None:
        """Note that a level is set next."""
        self._entered.append(_Entered(level, now_s))

    def add(self, sample: SupplySample) -> None:
        """Take a sample of the level that was set last."""
        if self._entered and len(self._entered[-1].samples) < _MOST_READINGS:
            self._entered[-1].samples.append(sample)

    def levels(self) -> Iterator[tuple[Level, LevelReadings]]:
        """Yield each level that was read, with its readings."""
        for entered in self._entered:
            if not entered.samples:
                continue
            level = entered.level
            times_s, voltage_v, current_a, power_w = (
                np.array([sample[place] for sample in entered.samples]) for place in range(4)
            )
            yield (
                level,
                LevelReadings(
                    label=level.label,
                    set_v=level.voltage_v,
                    limit_a=level.current_limit_a,
                    set_s=entered.set_s,
                    times_s=times_s,
                    voltage_v=voltage_v,
                    current_a=current_a,
                    power_w=power_w,
                ),
            )
