"""What a unit draws at rest at each level of its start: what leaks, and what its converter draws.

Below the voltage at which the converter begins it is a leakage current, above it the idle power.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from harness.judge.propagate import Estimate, unknown
from harness.judge.start_curve import LevelReadings, ReadingError, StartFigures, SupplyErrors
from harness.judge.start_energy import AcUnit
from harness.judge.uncertainty import Contribution, FloatArray, rectangular, scatter

LEAKAGE_CURRENT = "start.leakage_current"
IDLE_POWER = "start.idle_power"

#: Share of a level's readings, its last ones, that are taken at rest; and the fewest of a level.
_END_FRAC, _FEWEST_READINGS = 1.0 / 3.0, 15
#: A rectifier takes charge close to the peak of its line. On the mean the line is below it then by
#: this share, and as much either way: for the resistance in series spreads a pulse over some 20
#: degrees to either side (1 - cos a, textbook).
_BELOW_PEAK_FRAC = 0.015
#: n k T / q of the two junctions of a bridge, the most (textbook).
_JUNCTIONS_V = 0.104

_NO_LEVEL = {
    LEAKAGE_CURRENT: "no level of the start lies below the voltage at which the converter begins",
    IDLE_POWER: "no level of the start lies above the voltage at which the converter begins",
}
_NO_DC = "the bench file does not state the supply's accuracy of voltage and current"
_NO_AC = "the bench file does not state the supply's accuracy of voltage and power"
_SERIES = ("times_s", "voltage_v", "current_a", "power_w")
_UNITS = {"voltage": "V", "current": "A", "power": "W"}


def weigh_leak(
    levels: Sequence[LevelReadings], errors: SupplyErrors, unit: AcUnit | None = None
) -> StartFigures:
    """Tell what leaks at each level below the start threshold, in A; without a ``unit`` it is DC.

    An AC source's current is rms, and most of it is what the filter at the input takes. So its real
    power tells: the rectifier takes charge near the peak of the line, while that lies between the
    least and the most that the bulk capacitor holds, and I = P / v flows out of the capacitor, if
    nothing else takes power. What leaks before the rectifier is in it. The last of the charge comes
    late behind diodes, with n k T / q C / t at most.

    The highest level's figure is that of the start.

    Source: W = Q v, the ripple I / (2 f C) of a rectifier, the ideal diode, textbook; JCGM
        100:2008, 5.1.2, and 4.3.7 for stated bounds.
    """
    if unit is None:
        return _by_level(LEAKAGE_CURRENT, levels, partial(_leak, errors=errors))
    return _by_level(LEAKAGE_CURRENT, levels, partial(_leak_of_line, errors=errors, unit=unit))


def weigh_idle(
    levels: Sequence[LevelReadings], errors: SupplyErrors, *, ac: bool = False
) -> StartFigures:
    """Tell what the converter draws at each level above the start threshold, in W; of DC by V I.

    The highest level's figure is that of the start.

    Source: P = V I, textbook; JCGM 100:2008, 5.1.2, and 4.3.7 for stated bounds.
    """
    return _by_level(IDLE_POWER, levels, partial(_power, errors=errors, ac=ac))


def _by_level(
    measure: str, levels: Sequence[LevelReadings], drawn: Callable[[LevelReadings], Estimate]
) -> StartFigures:
    if not levels:
        return StartFigures(why_not={measure: _NO_LEVEL[measure]})
    told = {level.label: _at_rest(level, drawn) for level in levels}
    highest = told[levels[-1].label]
    if highest.why_not:
        return StartFigures(why_not={measure: highest.why_not}, by_level={measure: told})
    return StartFigures(estimates={measure: highest}, by_level={measure: told})


def _at_rest(level: LevelReadings, drawn: Callable[[LevelReadings], Estimate]) -> Estimate:
    """Return what is drawn by the readings at the end of a level."""
    count = level.times_s.size
    if count < _FEWEST_READINGS:
        return unknown(f"{level.label}: only {count} readings")
    end = slice(-int(_END_FRAC * count), None)
    series = {name: getattr(level, name)[end] for name in _SERIES}
    return drawn(replace(level, **series))


def _leak(rest: LevelReadings, *, errors: SupplyErrors) -> Estimate:
    if errors.voltage is None or errors.current is None:
        return unknown(_NO_DC)
    return _read("current", rest.current_a, errors.current)


def _leak_of_line(rest: LevelReadings, *, errors: SupplyErrors, unit: AcUnit) -> Estimate:
    if errors.voltage is None or errors.power is None:
        return unknown(_NO_AC)
    power, line_v = _read("power", rest.power_w, errors.power), float(rest.voltage_v.mean())
    peak_v = math.sqrt(2.0) * line_v
    ripple_v = late_a = 0.0
    if unit.bulk_f is not None:
        ripple_v = max(power.value, 0.0) / peak_v / (2.0 * unit.frequency_hz * unit.bulk_f)
        late_a = _JUNCTIONS_V * unit.bulk_f / float(rest.times_s[-1] - rest.times_s[0])
    # the capacitor takes its charge evenly from the least to the most it holds: half the ripple
    below_v = _BELOW_PEAK_FRAC * peak_v + 0.5 * ripple_v
    flows_v = peak_v - below_v
    value = power.value / flows_v
    # between none of it and all of it still fills the capacitor
    late = rectangular("charge that comes late", 0.5 * late_a, unit="A")
    bound_v = errors.voltage.gain_frac * line_v + errors.voltage.offset
    causes = [
        *_times(1.0 / flows_v, power.contributions),
        *_times(-value / line_v, [rectangular("supply voltage accuracy", bound_v, unit="V")]),
        *_times(value / flows_v, [rectangular("line while charge flows", below_v, unit="V")]),
        late,
    ]
    return Estimate(value=value - 0.5 * late_a, contributions=tuple(causes))


def _power(rest: LevelReadings, *, errors: SupplyErrors, ac: bool) -> Estimate:
    volts, amperes, watts = errors.voltage, errors.current, errors.power
    if watts is not None:
        return _read("power", rest.power_w, watts)
    if ac or volts is None or amperes is None:
        return unknown(_NO_AC if ac else _NO_DC)
    mean_v, mean_a = float(rest.voltage_v.mean()), float(rest.current_a.mean())
    causes = [
        *_times(mean_a, _bounds("voltage", mean_v, volts)),
        *_times(mean_v, _bounds("current", mean_a, amperes)),
        scatter("scatter of supply.power", rest.power_w, unit="W"),
    ]
    return Estimate(value=float(rest.power_w.mean()), contributions=tuple(causes))


def _read(name: str, series: FloatArray, error: ReadingError) -> Estimate:
    """Return the mean of readings."""
    mean = float(series.mean())
    noise = scatter(f"scatter of supply.{name}", series, unit=_UNITS[name])
    return Estimate(value=mean, contributions=(*_bounds(name, mean, error), noise))


def _bounds(name: str, mean: float, error: ReadingError) -> Iterator[Contribution]:
    """Yield what all readings of a quantity may be off by together."""
    unit = _UNITS[name]
    yield rectangular(f"supply {name} gain", error.gain_frac * abs(mean), unit=unit)
    yield rectangular(f"supply {name} offset", error.offset, unit=unit)
    yield rectangular(f"supply {name} resolution", 0.5 * error.digit, unit=unit)


def _times(sensitivity: float, causes: Iterable[Contribution]) -> Iterator[Contribution]:
    return (replace(cause, sensitivity=sensitivity) for cause in causes)
