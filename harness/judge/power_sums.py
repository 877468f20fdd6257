"""Readings of an AC source, summed while a capacitor fills, and those at rest beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

import numpy as np

from harness.judge.start_curve import LevelReadings
from harness.judge.uncertainty import Contribution, FloatArray, scatter, standard_deviation

#: Readings move while they are so many standard deviations from those at the end of the hold.
MOVING = 5.0
#: Share of the end of a hold that tells how the readings scatter at rest.
_END_FRAC = 1.0 / 3.0
#: Fewest readings at rest after a fill.
_FEWEST_AT_REST = 5
#: An AC source in its limit hunts about it: one half-cycle carries the charge of so many (common
#: practice).
_HUNTS = 2.5
#: An AC source clamps the peaks at so many times its limit, until it has come down to it (common
#: practice).
CREST = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RestingLevel:
    """One level, parted into the time in which its capacitor fills and that in which it rests."""

    readings: LevelReadings
    moved: int  # readings that are not at rest yet
    voltage_v: float  # at rest
    current_a: float
    power_w: float
    power_scatter: Contribution  # of the mean at rest
    power_sd_w: float  # of one reading

    @classmethod
    def of(cls, level: LevelReadings, window_s: float) -> Self | None:
        """Find where the readings rest; None where too few of them do."""
        n = level.times_s.size
        end = slice(n - max(int(_END_FRAC * n), _FEWEST_AT_REST), None)
        if n < 2 * _FEWEST_AT_REST:
            return None
        away = np.zeros(n, dtype=bool)
        for series in (level.power_w, level.voltage_v):
            rest = series[end]
            differ = max(MOVING * standard_deviation(rest), 1e-3 * abs(float(np.median(rest))))
            away |= ~(np.abs(series - np.median(rest)) <= differ)
        last = int(np.flatnonzero(away).max(initial=-1))
        interval_s = float(level.times_s[-1] - level.times_s[0]) / (n - 1)
        # what a window still holds of the fill, and the tail below the scatter
        moved = last + 1 + 2 * max(1, math.ceil(window_s / interval_s))
        if n - moved < _FEWEST_AT_REST:
            return None
        power_w = level.power_w[moved:]
        return cls(
            readings=level,
            moved=moved,
            voltage_v=float(level.voltage_v[moved:].mean()),
            current_a=float(level.current_a[moved:].mean()),
            power_w=float(power_w.mean()),
            power_scatter=scatter("scatter of supply power at rest", power_w, unit="W"),
            power_sd_w=standard_deviation(power_w),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Spans:
    """For how long each reading stands, and the time between them that no window holds."""

    weights_s: FloatArray
    gaps_s: FloatArray  # before each reading
    interval_s: float
    window_s: float

    @classmethod
    def of(cls, level: LevelReadings, before_s: float, n: int, window_s: float) -> Self:
        """Return the spans of the first ``n`` readings; the last before them came at a time."""
        times_s = level.times_s[:n]
        apart_s = np.diff(times_s, prepend=before_s)
        gaps_s = np.maximum(apart_s - window_s, 0.0)
        # nothing is taken before the setting
        gaps_s[0] = max(0.0, min(gaps_s[0], times_s[0] - window_s - level.set_s))
        return cls(
            weights_s=np.minimum(apart_s, window_s) + gaps_s,
            gaps_s=gaps_s,
            interval_s=float(np.median(apart_s)),
            window_s=window_s,
        )

    def sum(self, series: FloatArray) -> float:
        """Return the integral: of moving averages where windows overlap.

        Source: the integral of a moving average is that of what it averages; textbook.
        """
        between = 0.5 * (series + np.concatenate((series[:1], series[:-1])))
        inside_s = self.weights_s - self.gaps_s
        return float(inside_s @ series + self.gaps_s @ between)

    def unseen(self, series: FloatArray, half_s: float) -> float:
        """Return the standard uncertainty of it by what comes in pulses, one a half-cycle at most.

        Source: a gap, or a window's end, holds one pulse more or less: variance of a count that is
            one of two neighbours, r (1 - r); textbook.
        """
        before = np.concatenate((series[:1], series[:-1]))
        pulse = half_s * 0.5 * np.abs(series + before)
        whole, rest = self.gaps_s / half_s, np.modf(self.gaps_s / half_s)[0]
        # what a half-cycle carries scatters by its own size where every other one carries nothing
        variance = float((pulse**2) @ ((_HUNTS - 1.0) * whole + rest * (1.0 - rest)))
        variance += self.uneven(series) ** 2
        if self.interval_s < self.window_s:  # each pulse is in so many windows, or one more
            share = self.interval_s / self.window_s
            count = math.modf(1.0 / share)[0]
            per_pulse = share**2 * count * (1.0 - count)
            variance += _HUNTS * per_pulse * float((pulse**2) @ (self.weights_s / half_s))
        return math.sqrt(variance)

    def uneven(self, series: FloatArray) -> float:
        """Return the standard uncertainty of it by readings that differ, with time between them.

        Source: what lies between two readings is between their values, rectangular; JCGM 100:2008,
            4.3.7.
        """
        before = np.concatenate((series[:1], series[:-1]))
        bounds = 0.5 * np.abs(series - before) * self.gaps_s
        return math.sqrt(float(bounds @ bounds) / 3.0)
