"""What a start will be able to tell of the voltage at which the converter begins, before power.

A figure between two levels: what it will be known to follows from the levels of the profile and the
supply's accuracy. Draws at rest as a healthy unit of the nameplate has them are weighed as those of
a run will be.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.judge.start_curve import LevelReadings, StartFigures, SupplyErrors
from harness.judge.start_draw import weigh_begin
from harness.profile.level import Level
from harness.profile.start_readings import LEAK_PER_S, noisy
from harness.unit.nameplate import Input

#: Readings of a hold: their number hardly matters to a figure between two levels.
_READINGS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """A start as its draws at rest are weighed: all that the figure depends on."""

    levels: tuple[Level, ...]  # every one of the start
    line: Input
    errors: SupplyErrors

    @property
    def assumed_pace(self) -> None:
        """Return None: it does not depend on how fast the supply reads."""
        return

    def weighed(self, seed: int) -> StartFigures:
        """Return what comes of one draw of noise."""
        return _weighed(self, seed)


@lru_cache(maxsize=64)
def _weighed(start: Beginning, seed: int) -> StartFigures:
    rng = np.random.default_rng(seed)
    readings = [_at_rest(level, start, rng) for level in start.levels]
    return weigh_begin(readings, start.errors.voltage, start.line.idle_power_w)


def _at_rest(level: Level, start: Beginning, rng: np.random.Generator) -> LevelReadings:
    """Return readings of a level that is held: a leak, and the idle power from the threshold on.

    Source: P = I V of a leak in proportion to the voltage, as for the way up.
    """
    line, errors = start.line, start.errors
    siemens = LEAK_PER_S * (line.bulk_capacitance_f or 0.0)
    power_w = siemens * level.voltage_v**2
    if level.voltage_v >= line.start_threshold_v:
        power_w += line.idle_power_w
    times_s = level.dwell_s * np.linspace(1.0 / _READINGS, 1.0, _READINGS)
    volts = noisy(np.full(_READINGS, level.voltage_v), errors.voltage, rng)
    amperes = noisy(np.full(_READINGS, power_w / level.voltage_v), errors.current, rng)
    watts = noisy(np.full(_READINGS, power_w), errors.power, rng)
    return LevelReadings(
        label=level.label,
        set_v=level.voltage_v,
        limit_a=level.current_limit_a,
        set_s=0.0,
        times_s=times_s,
        voltage_v=volts,
        current_a=amperes,
        power_w=watts if errors.power is not None else volts * amperes,
    )
