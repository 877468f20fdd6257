"""Readings that a healthy AC unit's start would give on a bench: what a forecast weighs.

Between two levels below the threshold the source stays in its limit and gives the rectifier what
the capacitor takes, in pulses: one half-cycle carries the charge of two, the next one none. Its
readings are means over their window.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from harness.judge.start_curve import LevelReadings, SupplyErrors
from harness.judge.start_energy import AcUnit
from harness.judge.uncertainty import FloatArray
from harness.profile.level import Level
from harness.profile.start_readings import (
    MOST_READINGS,
    SETTLING_S,
    below_threshold,
    noisy,
)
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
        # what bounds the switch-on current at the peak of nominal line
        most_series_ohm=line.peak_factor * line.nominal_v / (_LEAST_INRUSH * line.current_a),
    )


def ac_fill_s(level: Level, before_v: float, line: AcInput) -> float:
    """Return the time that filling to a level takes at its limit, from an input voltage (rms).

    Source: C v dv/dt = k (v / sqrt 2) I for a bulk voltage v, k the power factor of a
        capacitor-input rectifier; textbook, k common practice.
    """
    assert line.bulk_capacitance_f is not None
    gained_v = line.peak_factor * (level.voltage_v - before_v)
    power_per_v = line.power_factor * level.current_limit_a / line.peak_factor
    return line.bulk_capacitance_f * gained_v / power_per_v


def ac_readings(
    levels: Sequence[Level], line: AcInput, errors: SupplyErrors, *, seed: int = 1
) -> tuple[LevelReadings, ...]:
    """Return readings of an AC unit's levels below its threshold, one each ``reading_s``.

    The nameplate states the bulk capacitance. Same seed, same noise.
    """
    return tuple(_level_readings(levels, line, errors, np.random.default_rng(seed)))


def _level_readings(
    levels: Sequence[Level], line: AcInput, errors: SupplyErrors, rng: np.random.Generator
) -> Iterator[LevelReadings]:
    before_v, set_s = 0.0, 0.0
    for level in below_threshold(levels, line):
        fill_s = ac_fill_s(level, before_v, line)
        lasts_s = min(fill_s, 1e3) + SETTLING_S + level.dwell_s
        every_s = max(errors.reading_s, lasts_s / MOST_READINGS)
        times_s = np.arange(every_s, lasts_s, every_s)
        window_s = max(errors.window_s, 1e-6)
        powers = _pulses(level, before_v, fill_s, line, rng)
        power_w = _mean(powers[0], times_s, window_s)
        current_a = np.sqrt(_mean(powers[1], times_s, window_s))
        share = np.clip((times_s - 0.5 * window_s) / max(fill_s, 1e-9), 0.0, 1.0)
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
        before_v, set_s = level.voltage_v, set_s + float(times_s[-1])


#: What has gone in by the end of each half-cycle: its times, and the sum.
_Summed = tuple[FloatArray, FloatArray]


def _pulses(
    level: Level, before_v: float, fill_s: float, line: AcInput, rng: np.random.Generator
) -> tuple[_Summed, _Summed]:
    """Return energy, and the current squared over time, that a level takes, half-cycle by half.

    Source: E = C v^2 / 2 of the bulk voltage, and E = Q V of what two junctions take; textbook.
    """
    assert line.bulk_capacitance_f is not None
    half_s = 0.5 / (level.frequency_hz or min(line.frequency_hz))
    count = min(max(math.ceil(fill_s / half_s), 1), 100_000)
    begins = rng.integers(0, _HUNTS)
    carries = np.arange(count) % _HUNTS == begins
    if not carries.any():
        carries[:] = True
    bulk_v = line.peak_factor * np.linspace(before_v, level.voltage_v, int(carries.sum()) + 1)
    charge_c = line.bulk_capacitance_f * np.diff(bulk_v)
    energy_j = np.zeros(count)
    energy_j[carries] = 0.5 * line.bulk_capacitance_f * np.diff(bulk_v**2)
    energy_j[carries] += _JUNCTIONS_V * charge_c
    square = np.where(carries, _HUNTS * level.current_limit_a**2 * half_s, 0.0)
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
