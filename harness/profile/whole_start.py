"""What a whole start will tell, before power: where it begins to work, energy, peak current.

The readings of every level are those that the capacitor's weighing is forecast by, with the draw of
a converter from the threshold on. They are weighed as those of a run will be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from harness.judge.power_sums import CREST
from harness.judge.start_curve import (
    LevelReadings,
    ReadingError,
    StartFigures,
    SupplyErrors,
    all_told,
)
from harness.judge.start_draw import weigh_begin, weigh_energy, weigh_switch_on
from harness.judge.start_rest import weigh_idle
from harness.profile.ac_readings import ac_readings
from harness.profile.level import Level
from harness.profile.start_readings import dc_readings
from harness.unit.nameplate import AcInput, Input


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeStart:
    """Every level of a start: all that the figures of the whole depend on."""

    levels: tuple[Level, ...]
    line: Input
    errors: SupplyErrors
    #: Of the highest current that the supply holds; None where nobody states it.
    peak: ReadingError | None
    pace_stated: bool

    @property
    def assumed_pace(self) -> tuple[str, float] | None:
        """Return whose readings are taken to be so far apart; None where the bench file says."""
        return None if self.pace_stated else ("supply", self.errors.reading_s)

    def weighed(self, seed: int) -> StartFigures:
        """Return what comes of one draw of noise."""
        return _weighed(self, seed)


def peak_a(levels: Sequence[Level], line: Input) -> float:
    """Return the highest current of a healthy unit's start, before resistance takes off any.

    A DC supply holds its limit, and each level begins in it. An AC source clamps the peaks at a
    multiple of it; what fills the capacitor from one level to the next may stay below that.

    Source: i = C dv/dt of a rectified sine that rises above what its capacitor holds, C w V cos a
        with sin a = V0 / V; textbook. The clamp: common practice.
    """
    if not isinstance(line, AcInput):
        return max(level.current_limit_a for level in levels)
    highest_a, before_v = 0.0, 0.0
    for level in levels:
        most_a = CREST * level.current_limit_a
        if line.bulk_capacitance_f is not None:
            omega = 2.0 * math.pi * (level.frequency_hz or line.frequency_hz[0])
            gained_v = line.peak_factor * math.sqrt(level.voltage_v**2 - before_v**2)
            most_a = min(most_a, omega * line.bulk_capacitance_f * gained_v)
        highest_a, before_v = max(highest_a, most_a), level.voltage_v
    return highest_a


@lru_cache(maxsize=64)
def _weighed(start: WholeStart, seed: int) -> StartFigures:
    readings, line = _readings(start, seed), start.line
    return all_told(
        weigh_begin(readings, start.errors.voltage, line.idle_power_w),
        weigh_energy(readings, start.errors, frequency_hz=start.levels[0].frequency_hz),
        weigh_idle(
            [read for read in readings if read.set_v >= line.start_threshold_v],
            start.errors,
            ac=line.kind == "ac",
        ),
        weigh_switch_on(peak_a(start.levels, line), start.peak),
    )


def _readings(start: WholeStart, seed: int) -> tuple[LevelReadings, ...]:
    if isinstance(start.line, AcInput):
        return ac_readings(start.levels, start.line, start.errors, seed=seed)
    return dc_readings(start.levels, start.line, start.errors, seed=seed)
