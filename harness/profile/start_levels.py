"""Start levels and current limit for a unit, from its capacitance and the bench's readings."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from harness.unit.formulas import peak_v, valley_at_constant_power_v
from harness.unit.nameplate import AcInput, Input

#: Readings that should fall into filling a DC unit's bulk capacitor to the lowest level.
_READINGS = 5.0
#: Readings at the slow limit, from which capacitance and leak can be told: more than half of them
#: lie where the way up is followed, enough to see whether it is a capacitor's. See
#: :mod:`harness.profile.forecast`, which looks a limit up where the bench is known.
_SLOW_READINGS = 15.0
#: The slow limit over what the nameplate says may leak: with more, what charges would hardly show.
#: And the share of the usual limit it is below, or nothing is gained.
_OVER_LEAK, _SLOWER_FRAC = 4.0, 0.7
#: Readings an AC unit's may take to fill to any level: an AC source in its limit no longer gives a
#: sine, its rms voltage lags behind what the capacitor holds, and what goes in over many readings
#: looks like a leak (safety rule 6). Found by rehearsals of healthy units.
_MOST_READINGS_AC = 1.0
#: Lowest level at its highest: a short should be met at a quarter of the voltage, no higher.
_HIGHEST_FIRST_FRAC = 0.25
#: The lowest level where nothing speaks for another.
_USUAL_FIRST_FRAC = 0.10
#: The levels above it, and closer ones for a capacitor that is large for its unit.
_FURTHER_FRAC = (0.25, 0.50, 0.75, 1.00)
_CLOSER_FRAC = (0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 1.00)
#: Bounds of the limit as shares of the nominal current: below, a healthy unit's soft start can hang
#: in the limit; above, a limit protects little. Source: common practice.
_LEAST_FRAC, _MOST_FRAC = 0.15, 0.50
#: The least of a DC unit whose start threshold nobody knows: it is taken low, and there a converter
#: that begins may pull its input down so far that what went in before is explained no more. Found
#: by rehearsals of healthy units.
_LEAST_FRAC_UNKNOWN = 0.25
#: The most for an AC source, which must not stay in its limit: its overshoot keeps to the envelope.
_MOST_FRAC_AC = 0.8
#: Limit over the idle current at the threshold, so that a converter gets past it. An AC source in
#: its limit gives less than its rms promises: found by rehearsals of healthy units.
_OVER_IDLE = {"dc": 1.5, "ac": 2.0}
#: Least limit, in amperes: what a supply reads without any current, at most, five times. Below, an
#: offset looks like a leak. Source: 2 mA to 3 mA on data sheets, common practice.
_LEAST_A = {"dc": 0.010, "ac": 0.015}
#: Limit over nominal current at its highest: within a draft's envelope of 1.25, rounding included.
_HIGHEST_FRAC = 1.19
#: Bulk voltage, as a share of that at the start threshold, at which a converter may stop again.
_STOPS_FRAC = 0.9
#: Peaks of an AC source over its limit; bulk capacitance over the printed one. See :func:`surge_a`.
_CREST, _MOST_BULK = 4.0, 1.2
#: Least distance between two levels.
_LEAST_RISE_FRAC = 0.04


@dataclass(frozen=True, kw_only=True, slots=True)
class SuggestedStart:
    """A start to begin with."""

    levels_frac: tuple[float, ...]  # shares of nominal voltage, rising to one
    current_limit_a: float
    #: Time the bulk capacitor takes at the limit: for DC to the lowest level, for AC to the level
    #: that takes longest; None where no capacitance is known.
    fill_s: float | None
    readings: float | None  # that fall into it
    #: Limit of the lowest level alone, at which the readings weigh the bulk capacitor; None where
    #: the usual one does, none is known, or the input is AC.
    slow_limit_a: float | None = None
    slow_readings: float | None = None  # that fall into filling to the lowest level at it


def suggest_start(line: Input, *, sample_s: float) -> SuggestedStart:
    """Suggest start levels and a current limit, for one reading of the supply each ``sample_s``.

    For DC, the lowest level's charge, taken at the limit, should last some readings: then what a
    short takes stands out from what the capacitor takes. So the limit is low, the lower the slower
    the bench reads, yet never so low that a healthy unit cannot start under it. Where even that is
    too quick for the bench, the lowest level is put higher, below the start threshold and a quarter
    of nominal. For AC, no level may keep the source in its limit for longer than a reading or so;
    where that asks for half the nominal current, the levels come closer instead. ``sample_s`` is
    then at least the averaging window. Without a capacitance the limit is the middle of what is
    sensible.

    Source:
        t = C V / I for DC. For AC the energy C (V1^2 - V0^2) (half C times the peak squared) at the
        real power k V1 I, with k = 0.5 for a capacitor-input rectifier; textbook, k and the shares
        common practice.
    """
    fill_s: float | None = None
    if line.bulk_capacitance_f is None:
        levels_frac = _levels(line, _USUAL_FIRST_FRAC)
        limit_a = _rounded(sum(_bounds_a(line)) / 2)
    else:
        charge_c = line.bulk_capacitance_f * line.nominal_v  # at nominal voltage (rms)
        start = _start_ac if line.kind == "ac" else _start_dc
        levels_frac, limit_a, fill_s = start(line, charge_c, sample_s)
    slow_a = _slow_limit_a(line, levels_frac[0], limit_a, sample_s)
    return SuggestedStart(
        levels_frac=levels_frac,
        current_limit_a=limit_a,
        fill_s=fill_s,
        readings=None if fill_s is None else fill_s / sample_s,
        slow_limit_a=slow_a,
        slow_readings=None
        if slow_a is None or fill_s is None
        else fill_s / sample_s * limit_a / slow_a,
    )


def _slow_limit_a(line: Input, first_frac: float, limit_a: float, sample_s: float) -> float | None:
    """Return a limit for the lowest level at which the readings weigh the bulk capacitor.

    Source: I = C V / t, textbook.
    """
    if line.kind != "dc" or line.bulk_capacitance_f is None:
        return None
    charge_c = line.bulk_capacitance_f * first_frac * line.nominal_v
    least_a = max(_LEAST_A["dc"], _OVER_LEAK * (line.leakage or 0.0))
    slow_a = _rounded(max(least_a, charge_c / (_SLOW_READINGS * sample_s)))
    return slow_a if slow_a <= _SLOWER_FRAC * limit_a else None


#: Levels, limit, and the longest time to fill.
_Found = tuple[tuple[float, ...], float, float]


def _start_dc(line: Input, charge_c: float, sample_s: float) -> _Found:
    least_a, most_a = _bounds_a(line)
    wanted_s = _READINGS * sample_s
    limit_a = _rounded(min(most_a, max(least_a, _USUAL_FIRST_FRAC * charge_c / wanted_s)))
    first_frac = _USUAL_FIRST_FRAC
    if first_frac * charge_c < wanted_s * limit_a:
        highest = min(_HIGHEST_FIRST_FRAC, 0.8 * line.start_threshold_v / line.nominal_v)
        first_frac = max(first_frac, round(min(highest, wanted_s * limit_a / charge_c), 2))
    return _levels(line, first_frac), limit_a, first_frac * charge_c / limit_a


def _start_ac(line: Input, charge_c: float, sample_s: float) -> _Found:
    at_limit_s = _MOST_READINGS_AC * sample_s
    for closer in (False, True):
        levels_frac = _levels(line, _USUAL_FIRST_FRAC, closer=closer)
        longest = max(
            (high**2 - low**2) / high / line.power_factor
            for low, high in itertools.pairwise((0.0, *levels_frac))
        )
        limited_c = longest * charge_c  # time times limit
        if limited_c / at_limit_s <= _MOST_FRAC * line.current_a:
            break
    least_a, _ = _bounds_a(line)
    most_a = max(least_a, _MOST_FRAC_AC * line.current_a)
    limit_a = _rounded(min(most_a, max(least_a, limited_c / at_limit_s)))
    return levels_frac, limit_a, limited_c / limit_a


def _bounds_a(line: Input) -> tuple[float, float]:
    """Return the least and the most sensible limit, in amperes.

    A nameplate may promise an idle current near its nominal one: the envelope is the end of it.
    """
    at_threshold_a = line.own_power_w / line.start_threshold_v / line.power_factor
    unknown = line.kind == "dc" and line.threshold is None
    least_frac = _LEAST_FRAC_UNKNOWN if unknown else _LEAST_FRAC
    needed_a = max(_OVER_IDLE[line.kind] * at_threshold_a, _LEAST_A[line.kind])
    least_a, most_a = (
        min(max(share * line.current_a, needed_a), _HIGHEST_FRAC * line.current_a)
        for share in (least_frac, _MOST_FRAC)
    )
    return least_a, most_a


def _levels(line: Input, first_frac: float, *, closer: bool = False) -> tuple[float, ...]:
    """Return the lowest level and those above it, none of them where the unit just begins to work.

    Near its threshold a unit draws the most current, and it may start or not. A level just below
    shows the parts at the input alone, the next one a unit that works; with closer levels there is
    one just above, too. None is too close above the one before, or below nominal voltage.
    """
    threshold_frac = line.start_threshold_v / line.nominal_v
    works_frac = min(1.3 * threshold_frac, 1.0)
    around = (round(0.85 * threshold_frac, 2), *([round(works_frac, 2)] if closer else []))
    wanted_frac = {
        level
        for wanted in (_CLOSER_FRAC if closer else _FURTHER_FRAC)
        for level in (around if 0.9 * threshold_frac <= wanted < works_frac else (wanted,))
    }
    levels_frac = [first_frac]
    for level in sorted(wanted_frac - {1.0}):
        apart = levels_frac[-1] + _LEAST_RISE_FRAC < level < 1.0 - _LEAST_RISE_FRAC
        if apart and _works_at(line, level):
            levels_frac.append(level)
    return (*levels_frac, 1.0)


def _works_at(line: Input, level_frac: float) -> bool:
    """Whether a unit that has begun to work can stay at a level without load.

    Idle power draws the more current the lower the voltage is: no DC level asks for more than half
    the nominal one. Behind a rectifier the capacitor has to bridge half a period.
    """
    voltage_v = level_frac * line.nominal_v
    if voltage_v < line.start_threshold_v:
        return True
    if line.kind == "dc":
        return line.own_power_w / voltage_v <= _MOST_FRAC * line.current_a
    return bridges(line, voltage_v, line.own_power_w)


def surge_a(line: AcInput, from_v: float, to_v: float, limit_a: float, window_s: float) -> float:
    """Current that an AC source may read while the bulk capacitor fills to a level, in amperes rms.

    A source takes some half-cycles to come down to its limit; meanwhile it clamps the peaks. At
    worst the whole charge comes in such peaks, within one averaging window ``window_s``. Voltages
    are rms, and the input's capacitance is known.

    Source:
        I^2 W = Ip Q for peaks of one height that carry the charge Q, textbook; peaks of four times
        the limit, and 20 % more capacitance than printed (letter M of IEC 60062), common practice.
    """
    assert line.bulk_capacitance_f is not None
    charge_c = _MOST_BULK * line.bulk_capacitance_f * (peak_v(to_v) - peak_v(from_v))
    return math.sqrt(_CREST * limit_a * charge_c / window_s)


def bridges(line: AcInput, voltage_v: float, power_w: float) -> bool:
    """Whether the bulk capacitor keeps a converter going from one half-cycle to the next.

    ``power_w`` is what the converter takes. Without a capacitance nobody knows, and it counts as
    enough.

    Source:
        The valley of an ideal rectifier at constant power, textbook; a converter stops a tenth to a
        fifth below where it starts, common practice.
    """
    if line.bulk_capacitance_f is None:
        return True
    valley_v = valley_at_constant_power_v(
        peak_v(voltage_v), min(line.frequency_hz), line.bulk_capacitance_f, power_w
    )
    return valley_v >= _STOPS_FRAC * peak_v(line.start_threshold_v)


def _rounded(value: float) -> float:
    """Return two significant digits: nobody sets 146.3 mA."""
    return float(f"{value:.2g}")
