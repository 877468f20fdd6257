"""Readings that a healthy AC unit's start would give on a bench: what a forecast weighs.

Between two levels the source stays in its limit and gives the rectifier what the capacitor takes,
in pulses: one half-cycle carries the charge of two, the next one none. Its readings are means over
their window.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from harness.judge.power_sums import CREST
from harness.judge.start_curve import LevelReadings, SupplyErrors
from harness.judge.start_energy import AcUnit
from harness.judge.uncertainty import FloatArray
from harness.profile.level import Level
from harness.profile.start_readings import drawn_w, noisy, reading_times_s
from harness.unit.nameplate import AcInput

#: A cold inrush limiter lets through so many times the nominal current at least (common practice).
_LEAST_INRUSH = 10.0
#: Two junctions of a bridge, while they carry (common practice).
_JUNCTIONS_V = 1.6
#: One half-cycle in so many carries charge: a source in its limit hunts about it (common practice).
_HUNTS = 2


def ac_unit(line: AcInput, frequency_hz: float) -> AcUnit:
    """Return what an AC nameplate says for the weighing of its capacitor."""
    return AcUnit(
        threshold_v=line.start_threshold_v,
        idle_power_w=line.idle_power_w,
        frequency_hz=frequency_hz,
        bulk_f=line.bulk_capacitance_f,
        # what bounds the switch-on current at the peak of nominal line
        most_series_ohm=line.peak_factor * line.nominal_v / (_LEAST_INRUSH * line.current_a),
    )


def ac_fill_s(level: Level, before_v: float, line: AcInput) -> float:
    """Return the time that filling to a level takes at its limit, from an input voltage (rms).

    A source in its limit lets pulses through that it clamps, and none in between.

    Source: C v dv/dt = v Q / T for a charge Q each half-cycle T; pulses of height p I in a share d
        of the time have the rms current I for d = 1 / p^2, and carry Q = I T / p; textbook.
    """
    assert line.bulk_capacitance_f is not None
    gained_v = line.peak_factor * (level.voltage_v - before_v)
    return line.bulk_capacitance_f * gained_v * CREST * _HUNTS / level.current_limit_a


def ac_readings(
    levels: Sequence[Level], line: AcInput, errors: SupplyErrors, *, seed: int = 1
) -> tuple[LevelReadings, ...]:
    """Return readings of an AC unit's start, one each ``reading_s``.

    The nameplate states the bulk capacitance; from its threshold on the converter draws its idle
    power, and a boost stage lifts the capacitor. Same seed, same noise.
    """
    return tuple(_level_readings(levels, line, errors, np.random.default_rng(seed)))


def _level_readings(
    levels: Sequence[Level], line: AcInput, errors: SupplyErrors, rng: np.random.Generator
) -> Iterator[LevelReadings]:
    before_v, bulk_v, set_s = 0.0, 0.0, 0.0
    for level in levels:
        fill = _Fill.of(level, before_v, bulk_v, line)
        times_s = reading_times_s(level, min(fill.lasts_s, 1e3), errors)
        window_s = max(errors.window_s, 1e-6)
        energy_j, square_a2s = _pulses(level, fill, line, rng)
        idle_w = drawn_w(level, line)
        idle_a = idle_w / level.voltage_v / line.power_factor
        power_w = _mean(energy_j, times_s, window_s) + idle_w
        current_a = np.sqrt(_mean(square_a2s, times_s, window_s) + idle_a**2)
        share = np.clip((times_s - 0.5 * window_s) / max(fill.lasts_s, 1e-9), 0.0, 1.0)
        voltage_v = before_v + share * (level.voltage_v - before_v)
        yield LevelReadings(
            label=level.label,
            set_v=level.voltage_v,
            limit_a=level.current_limit_a,
            set_s=set_s,
            times_s=set_s + times_s,
            voltage_v=noisy(voltage_v, errors.voltage, rng),
            current_a=noisy(current_a, errors.current, rng),
            power_w=noisy(power_w, errors.power, rng),
        )
        before_v, bulk_v, set_s = level.voltage_v, fill.to_v, set_s + float(times_s[-1])


@dataclass(frozen=True, slots=True)
class _Fill:
    """How the bulk capacitor fills at a level: from one voltage to another, in a time."""

    from_v: float
    to_v: float
    lasts_s: float

    @classmethod
    def of(cls, level: Level, before_v: float, bulk_v: float, line: AcInput) -> Self:
        """Fill to the peak of the line, or as a boost stage that works holds it.

        Source: E = C (V2^2 - V1^2) / 2 at P = V I, a boost stage's power factor being one;
            textbook.
        """
        assert line.bulk_capacitance_f is not None
        boosted_v = line.boosted_v or 0.0
        if not drawn_w(level, line) or not boosted_v:
            to_v = line.peak_factor * level.voltage_v
            return cls(bulk_v, to_v, ac_fill_s(level, before_v, line))
        taken_j = 0.5 * line.bulk_capacitance_f * (boosted_v**2 - bulk_v**2)
        return cls(bulk_v, boosted_v, taken_j / (level.voltage_v * level.current_limit_a))


#: What has gone in by the end of each half-cycle: its times, and the sum.
_Summed = tuple[FloatArray, FloatArray]


def _pulses(
    level: Level, fill: _Fill, line: AcInput, rng: np.random.Generator
) -> tuple[_Summed, _Summed]:
    """Return energy, and the current squared over time, that a level takes, half-cycle by half.

    Source: E = C v^2 / 2 of the bulk voltage, and E = Q V of what two junctions take; textbook.
    """
    assert line.bulk_capacitance_f is not None
    half_s = 0.5 / (level.frequency_hz or min(line.frequency_hz))
    count = min(max(math.ceil(fill.lasts_s / half_s), 1), 100_000)
    begins = rng.integers(0, _HUNTS)
    carries = np.arange(count) % _HUNTS == begins
    if not carries.any():
        carries[:] = True
    bulk_v = np.linspace(fill.from_v, fill.to_v, int(carries.sum()) + 1)
    charge_c = line.bulk_capacitance_f * np.diff(bulk_v)
    energy_j = np.zeros(count)
    energy_j[carries] = 0.5 * line.bulk_capacitance_f * np.diff(bulk_v**2)
    energy_j[carries] += _JUNCTIONS_V * charge_c
    filling = fill.lasts_s > 0.0
    square = np.where(carries, filling * _HUNTS * level.current_limit_a**2 * half_s, 0.0)
    return _summed(energy_j, half_s), _summed(square, half_s)


def _summed(each: FloatArray, half_s: float) -> _Summed:
    total = np.zeros(each.size + 1)
    np.cumsum(each, out=total[1:])
    return half_s * np.arange(total.size, dtype=float), total


def _mean(summed: _Summed, times_s: FloatArray, window_s: float) -> FloatArray:
    """Return the mean over the window that ends at each time."""
    edges_s, total = summed
    mean: FloatArray = (
        np.interp(times_s, edges_s, total) - np.interp(times_s - window_s, edges_s, total)
    ) / window_s
    return mean
