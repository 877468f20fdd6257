"""Readings that a healthy unit's start would give on a bench: what a forecast weighs.

The circuit is the nameplate's, with what it does not state as data sheets have it; the readings
come at the bench's pace, with noise and digits as instruments of the stated accuracy have them.
What all readings of an instrument are off by together is not put in: the weighing allows for it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from harness.judge.charging import Charging
from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors
from harness.judge.uncertainty import FloatArray
from harness.profile.instruments import Meter, Supply
from harness.profile.level import Level
from harness.unit.nameplate import DcInput, Input

#: Leakage of an aluminium electrolytic capacitor over capacitance times voltage, in 1/s, and its
#: loss factor at the frequency that gives its series resistance. Source: 0.01 C V, and tan delta
#: 0.15 at 100 Hz, on data sheets of general-purpose types, common practice.
LEAK_PER_S, _TAN_DELTA, _TAN_HZ = 0.01, 0.15, 100.0
#: Leads and contacts, both ways (common practice), and n k T / q of a diode at the input, at 300 K.
_LEADS_OHM, _DIODE_V = 0.1, 0.026
#: Noise of a reading over the fixed part of its accuracy, as one standard deviation. Source: a data
#: sheet's accuracy covers noise with room to spare, common practice.
_NOISE_FRAC = 0.05
#: What shows that readings are at rest, before the hold: so much time, and so many of them.
_SETTLING_S, _SETTLING_READINGS = 0.25, 10.0
#: Time that the messages take which set a level, at most; a faster bench takes that of a reading.
#: Source: three messages of 2 ms on a socket, common practice.
_SETTING_S = 0.006
#: The most readings of a level that count, and how many follow a rise before all is at rest.
MOST_READINGS, _TAIL_READINGS = 2000, 500
#: A converter that would draw all of the limit leaves this share of it to the capacitor.
_LEFT_FRAC = 0.1


def supply_errors(
    supply: Supply, *, most_v: float, most_a: float, reading_s: float, window_s: float
) -> SupplyErrors:
    """Return what is known of a supply's readings, up to so much voltage and current.

    One pair takes ``reading_s``, and is averaged over ``window_s``; 0 where that is not known.
    """
    return SupplyErrors(
        voltage=reading_error(supply, "voltage", most_v),
        current=reading_error(supply, "current", most_a),
        power=reading_error(supply, "power", most_v * most_a),
        own_capacitance_f=supply.output_capacitance_f,
        own_capacitance_error_f=supply.own_capacitance_error_f,
        reading_s=reading_s,
        window_s=window_s,
    )


def reading_error(instrument: Supply | Meter, quantity: str, reading: float) -> ReadingError | None:
    """Return what the readings of a quantity up to one may be off by; None where nobody says."""
    accuracy = instrument.accuracy.get(quantity)
    if accuracy is None:
        return None
    stated = accuracy.at(reading)
    return ReadingError(
        gain_frac=stated.reading_frac,
        offset=stated.fixed,
        digit=instrument.resolution.get(quantity, 0.0),
    )


def below_threshold(levels: Sequence[Level], line: Input) -> tuple[Level, ...]:
    """Return the levels at which the converter sleeps: what flows there charges the capacitor."""
    return tuple(level for level in levels if level.voltage_v < line.start_threshold_v)


def dc_readings(
    levels: Sequence[Level], line: DcInput, errors: SupplyErrors, *, seed: int = 1
) -> tuple[LevelReadings, ...]:
    """Return readings of a DC unit's start, a pair each ``reading_s``.

    The nameplate states the bulk capacitance; from its threshold on the converter draws its idle
    power. Same seed, same noise.
    """
    return tuple(_level_readings(levels, line, errors, np.random.default_rng(seed)))


def _level_readings(
    levels: Sequence[Level], line: DcInput, errors: SupplyErrors, rng: np.random.Generator
) -> Iterator[LevelReadings]:
    assert line.bulk_capacitance_f is not None
    bulk_f, own_f = line.bulk_capacitance_f, errors.own_capacitance_f or 0.0
    leak_a = line.leakage
    siemens = LEAK_PER_S * bulk_f if leak_a is None else leak_a / line.nominal_v
    series_ohm = _LEADS_OHM + _TAN_DELTA / (2 * math.pi * _TAN_HZ * bulk_f)
    before_v, set_s = 0.0, 0.0
    for level in levels:
        idle_a = min(
            drawn_w(level, line) / level.voltage_v, (1 - _LEFT_FRAC) * level.current_limit_a
        )
        model = Charging(
            bulk_f=bulk_f,
            own_f=own_f,
            leak_siemens=siemens,
            steady_a=idle_a,
            series_ohm=series_ohm,
            emission_v=_DIODE_V,
            limit_a=level.current_limit_a,
            rest_v=level.voltage_v,
        )
        rising_s = rise_s(level, before_v, bulk_f + own_f, siemens * level.voltage_v + idle_a)
        times_s = reading_times_s(level, min(rising_s, level.dwell_s + 1e3), errors)
        since_corner_s = times_s - rising_s
        volts = model.voltage_v(since_corner_s, errors.window_s)
        amperes = model.current_a(since_corner_s, errors.window_s)
        read_v = noisy(volts, errors.voltage, rng)
        read_a = noisy(amperes, errors.current, rng)
        yield LevelReadings(
            label=level.label,
            set_v=level.voltage_v,
            limit_a=level.current_limit_a,
            set_s=set_s,
            times_s=set_s + times_s,
            voltage_v=read_v,
            current_a=read_a,
            power_w=read_v * read_a,
        )
        before_v, set_s = level.voltage_v, set_s + float(times_s[-1])


def drawn_w(level: Level, line: Input) -> float:
    """Return what the converter of a healthy unit draws at a level, with nothing at its outputs.

    One that works in phases draws its idle power at times and at times its busy power: the middle.
    """
    works = level.voltage_v >= line.start_threshold_v
    return 0.5 * (line.idle_power_w + line.own_power_w) if works else 0.0


def reading_times_s(level: Level, fill_s: float, errors: SupplyErrors) -> FloatArray:
    """Return when the readings of a level come, from its setting to the end of its hold.

    Where they are too many, those at rest come further apart.
    """
    settling_s = max(_SETTLING_S, _SETTLING_READINGS * errors.reading_s)
    lasts_s = fill_s + level.wait_s + settling_s + level.dwell_s
    first_s = errors.reading_s + min(_SETTING_S, errors.reading_s)
    moves_s = first_s + fill_s + _TAIL_READINGS * errors.reading_s
    busy_s = np.arange(first_s, min(moves_s, lasts_s), errors.reading_s)
    left = MOST_READINGS - busy_s.size
    if left < MOST_READINGS // 2 or lasts_s - moves_s < left * errors.reading_s:
        every_s = max(errors.reading_s, lasts_s / MOST_READINGS)
        return np.arange(every_s + min(_SETTING_S, every_s), lasts_s, every_s)
    still_s = np.linspace(moves_s, lasts_s, left)
    return np.concatenate((busy_s, still_s))


def rise_s(level: Level, before_v: float, total_f: float, rest_a: float = 0.0) -> float:
    """Return the time that filling to a level takes at its limit.

    Source: t = C V / I, textbook.
    """
    charging_a = max(level.current_limit_a - rest_a, 1e-3 * level.current_limit_a)
    return total_f * (level.voltage_v - before_v) / charging_a


def noisy(true: FloatArray, error: ReadingError | None, rng: np.random.Generator) -> FloatArray:
    """Return what an instrument shows of true values: with noise, in its digits."""
    if error is None:
        return true
    read = true + rng.normal(0.0, _NOISE_FRAC * error.offset, true.size)
    return np.round(read / error.digit) * error.digit if error.digit else read
