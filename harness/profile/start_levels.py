"""Start levels and current limit for a unit, from its capacitance and the bench's readings."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from harness.unit.nameplate import Input

__all__ = ["SuggestedStart", "suggest_start"]

#: Readings that should fall into filling a DC unit's bulk capacitor to the lowest level.
_READINGS = 5.0
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
#: The most for an AC source, which must not stay in its limit: its overshoot keeps to the envelope.
_MOST_FRAC_AC = 0.8
#: Limit over the idle current at the threshold, so that a converter gets past it. An AC source in
#: its limit gives less than its rms promises: found by rehearsals of healthy units.
_OVER_IDLE = {"dc": 1.5, "ac": 2.0}
#: Limit over what is expected at the next level: reading errors, a draw above the idle one.
_OVER_RESISTOR = 1.3
#: Limit over nominal current at its highest: within a draft's envelope of 1.25, rounding included.
_HIGHEST_FRAC = 1.19
#: Least distance between two levels.
_LEAST_RISE_FRAC = 0.04
#: Power factor of a capacitor-input rectifier, the low end. Source: common practice.
_AC_POWER_FACTOR = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class SuggestedStart:
    """A start to begin with.

    Attributes:
        levels_frac: Levels as shares of nominal voltage, rising to one.
        current_limit_a: Limit of the supply.
        fill_s: Time the bulk capacitor takes at the limit: for DC to the lowest level, for AC to
            the level that takes longest; None where no capacitance is known.
        readings: Readings that fall into it, or None.
    """

    levels_frac: tuple[float, ...]
    current_limit_a: float
    fill_s: float | None
    readings: float | None


def suggest_start(line: Input, *, sample_s: float) -> SuggestedStart:
    """Suggest start levels and a current limit.

    For DC, the lowest level's charge, taken at the limit, should last some readings: then what a
    short takes stands out from what the capacitor takes. So the limit is low, the lower the slower
    the bench reads, yet never so low that a healthy unit cannot start under it. Where even that is
    too quick for the bench, the lowest level is put higher, below the start threshold and a quarter
    of nominal. For AC, no level may keep the source in its limit for longer than a reading or so;
    where that asks for half the nominal current, the levels come closer instead.

    Args:
        line: The unit's input.
        sample_s: Time between two readings of the supply; for AC at least its averaging window.

    Returns:
        The start; without a capacitance the limit is the middle of what is sensible.

    Source:
        t = C V / I for DC. For AC the energy C (V1^2 - V0^2) (half C times the peak squared) at the
        real power k V1 I, with k = 0.5 for a capacitor-input rectifier; textbook, k and the shares
        common practice.
    """
    if line.bulk_capacitance_f is None:
        further_frac = _further_levels(line, _FURTHER_FRAC)
        return SuggestedStart(
            levels_frac=_risen((_USUAL_FIRST_FRAC, *further_frac)),
            current_limit_a=_rounded(sum(_bounds_a(line, further_frac)) / 2),
            fill_s=None,
            readings=None,
        )
    if line.kind == "ac":
        return _start_ac(line, line.bulk_capacitance_f, sample_s)
    return _start_dc(line, line.bulk_capacitance_f, sample_s)


def _start_dc(line: Input, capacitance_f: float, sample_s: float) -> SuggestedStart:
    further_frac = _further_levels(line, _FURTHER_FRAC)
    least_a, most_a = _bounds_a(line, further_frac)
    charge_c = capacitance_f * line.nominal_v  # at nominal voltage
    wanted_s = _READINGS * sample_s
    limit_a = _rounded(min(most_a, max(least_a, _USUAL_FIRST_FRAC * charge_c / wanted_s)))
    first_frac = _USUAL_FIRST_FRAC
    if first_frac * charge_c < wanted_s * limit_a:
        highest = min(_HIGHEST_FIRST_FRAC, 0.8 * line.start_threshold_v / line.nominal_v)
        first_frac = max(first_frac, round(min(highest, wanted_s * limit_a / charge_c), 2))
    fill_s = first_frac * charge_c / limit_a
    return SuggestedStart(
        levels_frac=_risen((first_frac, *further_frac)),
        current_limit_a=limit_a,
        fill_s=fill_s,
        readings=fill_s / sample_s,
    )


def _start_ac(line: Input, capacitance_f: float, sample_s: float) -> SuggestedStart:
    at_limit_s = _MOST_READINGS_AC * sample_s
    for further_frac in (_FURTHER_FRAC, _CLOSER_FRAC):
        levels_frac = _risen((_USUAL_FIRST_FRAC, *_further_levels(line, further_frac)))
        charge_c = _longest_fill_c(levels_frac, capacitance_f * line.nominal_v)
        if charge_c / at_limit_s <= _MOST_FRAC * line.current_a:
            break
    least_a, _ = _bounds_a(line, levels_frac)
    most_a = max(least_a, _MOST_FRAC_AC * line.current_a)
    limit_a = _rounded(min(most_a, max(least_a, charge_c / at_limit_s)))
    return SuggestedStart(
        levels_frac=levels_frac,
        current_limit_a=limit_a,
        fill_s=charge_c / limit_a,
        readings=charge_c / limit_a / sample_s,
    )


def _longest_fill_c(levels_frac: tuple[float, ...], charge_c: float) -> float:
    """Return time times limit, in A s, of the level that takes longest to fill.

    Args:
        levels_frac: The levels.
        charge_c: Capacitance times nominal voltage (rms).
    """
    shares = [
        (high**2 - low**2) / high / _AC_POWER_FACTOR
        for low, high in itertools.pairwise((0.0, *levels_frac))
    ]
    return max(shares) * charge_c


def _bounds_a(line: Input, further_frac: tuple[float, ...]) -> tuple[float, float]:
    """Return the least and the most sensible limit, in amperes.

    A nameplate may promise an idle current near its nominal one: the envelope is the end of it.
    """
    power_factor = 1.0 if line.kind == "dc" else _AC_POWER_FACTOR
    needed_a = _needed_by_idle_a(line, further_frac) / power_factor
    least_a, most_a = (
        min(max(share * line.current_a, needed_a), _HIGHEST_FRAC * line.current_a)
        for share in (_LEAST_FRAC, _MOST_FRAC)
    )
    return least_a, most_a


def _further_levels(line: Input, levels_frac: tuple[float, ...]) -> tuple[float, ...]:
    """Return the levels above the lowest, none of them where the unit just begins to work.

    Near its threshold a unit draws the most current, and it may start or not. A level just below
    shows the parts at the input alone, the next one a unit that works.
    """
    threshold_frac = line.start_threshold_v / line.nominal_v
    below = round(0.85 * threshold_frac, 2)
    return tuple(
        below if 0.9 * threshold_frac <= level < min(1.3 * threshold_frac, 1.0) else level
        for level in levels_frac
    )


def _risen(levels_frac: tuple[float, ...]) -> tuple[float, ...]:
    """Return the levels without those that come too close above the one before."""
    kept = [levels_frac[0]]
    for level in levels_frac[1:]:
        if level > kept[-1] + _LEAST_RISE_FRAC:
            kept.append(level)
    return tuple(kept)


def _needed_by_idle_a(line: Input, further_frac: tuple[float, ...]) -> float:
    """Return the real current, in amperes, that the idle power asks the limit for.

    At the threshold the unit has to get going. At the first level above it, its current counts as
    a resistor's for the levels to come (safety rule 7): P / V1 times V2 / V1.
    """
    nominal_v, threshold_v = line.nominal_v, line.start_threshold_v
    first_v = next(
        (level * nominal_v for level in further_frac if level * nominal_v >= threshold_v), nominal_v
    )
    at_threshold_a = line.idle_power_w / threshold_v
    as_resistor_a = line.idle_power_w * nominal_v / first_v**2
    return max(_OVER_IDLE[line.kind] * at_threshold_a, _OVER_RESISTOR * as_resistor_a)


def _rounded(value: float) -> float:
    """Return two significant digits: nobody sets 146.3 mA."""
    return float(f"{value:.2g}")
