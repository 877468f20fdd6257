"""Start levels and current limit for a unit, from its capacitance and the bench's readings."""

from __future__ import annotations

from dataclasses import dataclass

from harness.unit.nameplate import Input

__all__ = ["SuggestedStart", "suggest_start"]

#: Readings that should fall into filling the bulk capacitor to the lowest level.
_READINGS = 5.0
#: Lowest level at its highest: a short should be met at a quarter of the voltage, no higher.
_HIGHEST_FIRST_FRAC = 0.25
#: The lowest level where nothing speaks for another.
_USUAL_FIRST_FRAC = 0.10
#: The levels above it.
_FURTHER_FRAC = (0.25, 0.50, 0.75, 1.00)
#: Bounds of the limit as shares of the nominal current: below, a healthy unit's soft start can hang
#: in the limit; above, a limit protects little.
_LEAST_FRAC, _MOST_FRAC = 0.15, 0.50
#: Limit over the idle current at the threshold, so that a converter gets past it.
_OVER_IDLE = 1.5
#: Limit over what is expected at the next level, for reading errors and a draw above the idle one.
_OVER_RESISTOR = 1.3
#: Envelope over nominal current, as a draft has it.
_ENVELOPE = 1.25
#: Least distance between two levels.
_LEAST_RISE_FRAC = 0.04
#: Power factor of a capacitor-input rectifier, the low end.
_AC_POWER_FACTOR = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class SuggestedStart:
    """A start to begin with.

    Attributes:
        levels_frac: Levels as shares of nominal voltage, rising to one.
        current_limit_a: Limit of the supply.
        fill_s: Time the bulk capacitor takes at the limit to the lowest level, or None where no
            capacitance is known.
        readings: Readings that fall into it, or None.
    """

    levels_frac: tuple[float, ...]
    current_limit_a: float
    fill_s: float | None
    readings: float | None


def suggest_start(line: Input, *, sample_s: float) -> SuggestedStart:
    """Suggest start levels and a current limit.

    The lowest level's charge, taken at the limit, should last some readings: then what a short
    takes stands out from what the capacitor takes. So the limit is low, the lower the slower the
    bench reads, yet never so low that a healthy unit cannot start under it. Where even that is
    too quick for the bench, the lowest level is put higher, below the start threshold and a
    quarter of nominal.

    Args:
        line: The unit's input.
        sample_s: Time between two readings of the supply; for AC at least its averaging window.

    Returns:
        The start; without a capacitance the limit is the middle of what is sensible.

    Source:
        t = C V / I for DC. For AC the energy C V^2 (half C times the peak squared) at the real
        power k V I, with k = 0.5 for a capacitor-input rectifier: t = C V / (k I); textbook, k and
        the shares common practice.
    """
    power_factor = 1.0 if line.kind == "dc" else _AC_POWER_FACTOR
    further_frac = _further_levels(line.start_threshold_v / line.nominal_v)
    needed_a = _needed_by_idle_a(line, further_frac) / power_factor
    # A nameplate may promise an idle current near its nominal one: the envelope is the end of it.
    least_a, most_a = (
        min(max(share * line.current_a, needed_a), _ENVELOPE * line.current_a)
        for share in (_LEAST_FRAC, _MOST_FRAC)
    )
    if line.bulk_capacitance_f is None:
        return SuggestedStart(
            levels_frac=_risen((_USUAL_FIRST_FRAC, *further_frac)),
            current_limit_a=_rounded((least_a + most_a) / 2),
            fill_s=None,
            readings=None,
        )
    charge_c = line.bulk_capacitance_f * line.nominal_v / power_factor  # at nominal voltage
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


def _further_levels(threshold_frac: float) -> tuple[float, ...]:
    """Return the levels above the lowest, none of them where the unit just begins to work.

    Near its threshold a unit draws the most current, and it may start or not. A level just below
    shows the parts at the input alone, the next one a unit that works.
    """
    below = round(0.85 * threshold_frac, 2)
    return tuple(
        below if 0.9 * threshold_frac <= level < min(1.3 * threshold_frac, 1.0) else level
        for level in _FURTHER_FRAC
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
    return max(_OVER_IDLE * at_threshold_a, _OVER_RESISTOR * as_resistor_a)


def _rounded(value: float) -> float:
    """Return two significant digits: nobody sets 146.3 mA."""
    return float(f"{value:.2g}")
