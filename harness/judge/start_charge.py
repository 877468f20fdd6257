"""What a DC start says of the unit: its bulk capacitor, and what is in series.

The circuit's own curve (:mod:`harness.judge.charging`) is fitted to voltage and current of every
level that the unit's converter sleeps at and that was slow enough to be followed. Where the
readings are another circuit's, there is no figure, and a sentence says why.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from harness.judge.ascent import Ascent, NotFollowed, ascent, joined
from harness.judge.charge_fit import ChargeFit, fit_charge
from harness.judge.propagate import Estimate
from harness.judge.start_curve import (
    SERIES_RESISTANCE,
    TIME_CONSTANT,
    FittedLevel,
    LevelReadings,
    StartFigures,
    SupplyErrors,
)
from harness.judge.uncertainty import FloatArray, combine
from harness.quantity import format_quantity

_BULK = "start.bulk_capacitance"
_TOLD = (_BULK, SERIES_RESISTANCE, TIME_CONSTANT)

#: Share of the charging current that may leak: with more, what is left weighs nothing.
_MOST_LEAK_FRAC = 0.5
#: Departures from the circuit's curve that make it another circuit's: of the slope between both
#: halves of the way up, and of the current at rest over the charging current.
_BENT_FRAC, _MOVING_FRAC = 0.05, 0.02
#: Fewest readings of a level, and on the way up such as show whether it is bent.
_FEWEST_READINGS, _FEWEST_BENT = 15, 8
#: What follows the corner is another circuit's where the mean square of the residuals, each over
#: its standard deviation, comes to more.
_MOST_VARIANCE = 4.0
_TOO_FAST = "the current falls to rest faster than the readings show"
#: Voltage that drops in series while the current is held, over the part of the rise that counts.
_HELD_FRAC = 0.4
#: So many standard deviations are no accident.
_SURELY = 4.0
#: n k T / q of a diode, the most (textbook).
_DIODES_V = 0.052
#: Points of a fitted curve before the corner, after it, and at rest; and the first after it, and
#: the last before rest, as shares of the time of the way up.
_BEFORE, _AFTER, _AT_REST = 25, 20, 15
_TAIL_FRAC = (3e-4, 0.3)


def weigh_dc(
    levels: Sequence[LevelReadings], errors: SupplyErrors, *, least_over_own: float = 1.0
) -> StartFigures:
    """Return what the start levels below the converter's threshold say, in the order they came.

    A unit's capacitor is weighed from so many times the supply's own on, ``least_over_own``.
    Figures: effective bulk capacitance in F, effective series resistance of leads, unit and
    capacitor in ohm, and the time constant in s with which both let the current die away once the
    voltage is reached. What cannot be told has a reason instead.

    Source: the circuit's own equations, textbook; JCGM 100:2008, 5.1.2, 5.2.2 and H.3.
    """
    if not levels:
        why = "no level of the start lies below the voltage at which the converter begins to work"
        return StartFigures(why_not=dict.fromkeys(_TOLD, why))
    if errors.voltage is None or errors.current is None:
        why = "the bench file does not state the supply's accuracy of voltage and current"
        return StartFigures(why_not=dict.fromkeys(_TOLD, why))
    try:
        found = _charged(levels, errors, least_over_own)
    except NotFollowed as why_nothing:
        return StartFigures(why_not=dict.fromkeys(_TOLD, str(why_nothing)))
    tail = _with_tail(found, errors)
    why_not: dict[str, str] = {}
    estimates: dict[str, Estimate] = {}
    told = [(_BULK, found.capacitance, "F", "the readings are too few, or too coarse")]
    if tail is None:
        why_not |= dict.fromkeys((SERIES_RESISTANCE, TIME_CONSTANT), _TOO_FAST)
    else:
        told += [
            (SERIES_RESISTANCE, tail.resistance, "ohm", _TOO_FAST),
            (TIME_CONSTANT, tail.time_constant, "s", _TOO_FAST),
        ]
    for measure, estimate, unit, why in told:
        expanded = combine(estimate.contributions).expanded
        if expanded < abs(estimate.value):  # false, too, for a value that is no number
            estimates[measure] = estimate
        else:
            bound = format_quantity(expanded, unit, 2) if math.isfinite(expanded) else "anything"
            why_not[measure] = f"{why}: known to {bound} either way, which is no less than itself"
    shown = tail or found
    fitted = tuple(
        _curve(shown, number, sharp=tail is None) for number in range(len(shown.ascents))
    )
    return StartFigures(estimates=estimates, why_not=why_not, fitted=fitted)


def _charged(
    levels: Sequence[LevelReadings], errors: SupplyErrors, least_over_own: float
) -> ChargeFit:
    """Fit the circuit to every level that was slow enough.

    Raises:
        NotFollowed: None was, or what it shows is no such circuit.
    """
    ascents = _followed(levels, errors)
    for each in ascents:
        if each.rest_a >= _MOST_LEAK_FRAC * each.limit_a:
            raise NotFollowed(
                f"{each.level.label}: {format_quantity(each.rest_a, 'A', 2)} of the "
                f"{format_quantity(each.limit_a, 'A', 2)} that charge are drawn at rest as well"
            )
    own_f, first = errors.own_capacitance_f, ascents[0]
    if own_f is None:
        raise NotFollowed("the supply's own capacitance is not known, and it charges as well")
    total_f = (first.limit_a - 0.5 * first.rest_a) / first.slope
    both = f"both together are {format_quantity(total_f, 'F', 2)}"
    own = f"the supply's own capacitance, {format_quantity(own_f, 'F', 2)}"
    if total_f < (1.0 + least_over_own) * own_f:
        raise NotFollowed(f"{own}, is more than the unit's: {both}")
    if total_f <= own_f + errors.own_capacitance_error_f:
        error = format_quantity(errors.own_capacitance_error_f, "F", 2)
        raise NotFollowed(f"{own} known to {error} either way, hides the unit's: {both}")
    found = fit_charge(ascents, errors, total_f)
    if found is None:
        raise NotFollowed("the circuit's curve could not be fitted to the readings")
    _require_explained(found, errors)
    return found


def _with_tail(found: ChargeFit, errors: SupplyErrors) -> ChargeFit | None:
    """Fit what follows the corner, too; None where the current is at rest by the next reading."""
    shows = any(
        (each.tail_a.values - each.rest_a > _SURELY * each.noise_a).any() for each in found.ascents
    )
    if not shows:
        return None
    tail = fit_charge(found.ascents, errors, found.total_f, tail=True)
    if tail is None or tail.variance > _MOST_VARIANCE or not tail.is_possible:
        return None
    return tail


def _followed(levels: Sequence[LevelReadings], errors: SupplyErrors) -> tuple[Ascent, ...]:
    ascents: list[Ascent] = []
    levels_by_reason: dict[str, list[str]] = {}
    before_v = 0.0
    for level in levels:
        try:
            ascents.append(ascent(level, before_v, errors))
        except NotFollowed as why:
            levels_by_reason.setdefault(str(why), []).append(level.label)
        before_v = level.set_v
    if not ascents:
        raise NotFollowed(
            "; ".join(f"{', '.join(which)}: {why}" for why, which in levels_by_reason.items())
        )
    return tuple(ascents)


def _require_explained(found: ChargeFit, errors: SupplyErrors) -> None:
    """See that the readings lie on the circuit's curve.

    Raises:
        NotFollowed: They do not.
    """
    for number, each in enumerate(found.ascents):
        left_v = found.left_v(number)
        known_v = found.voltage.offset + found.voltage.gain_frac * each.rest_v
        moments_v = each.slope * (errors.reading_s + errors.window_s)
        spread_v = math.sqrt(float(left_v @ left_v) / left_v.size)
        if spread_v > known_v + moments_v:
            raise NotFollowed(
                f"{each.level.label}: the readings lie {format_quantity(spread_v, 'V', 2)} from "
                "the circuit's curve"
            )
        if left_v.size >= _FEWEST_BENT:
            _require_straight(each, left_v)
        _require_still(found, number)
        _require_charged(found, number)


def _require_straight(each: Ascent, left_v: FloatArray) -> None:
    """See that both halves of the way up are as steep as the curve."""
    half = left_v.size // 2
    tilts, squares = [], []
    for part in (slice(None, half), slice(half, None)):
        times_s = each.up_s[part] - each.up_s[part].mean()
        square = float(times_s @ times_s)
        tilts.append(float(times_s @ left_v[part]) / square)
        about = left_v[part] - left_v[part].mean() - tilts[-1] * times_s
        squares.append(float(about @ about) / max(about.size - 2, 1) / square)
    bent = abs(tilts[1] - tilts[0])
    if bent > _BENT_FRAC * each.slope and bent > _SURELY * math.sqrt(sum(squares)):
        raise NotFollowed(
            f"{each.level.label}: the voltage does not rise as a capacitor's at constant current; "
            f"its slope changes by {format_quantity(bent / each.slope, '%', 2)} more than the "
            "circuit explains"
        )


def _require_still(found: ChargeFit, number: int) -> None:
    """See that the current stays once it has died away, as without a converter it does.

    Behind a diode the last of the charge comes late: up to n kT/q C / t of current (textbook).
    """
    each, rows = found.ascents[number], found.ascents[number].between_a
    if not rows.values.size:
        return
    times_s = rows.times_s - found.corner_s(number)
    moved_a = np.abs(rows.values - each.rest_a)
    late_a = _DIODES_V * found.total_f / times_s
    bound_a = max(_MOVING_FRAC * each.limit_a, found.current.digit)
    if (moved_a > late_a + bound_a + _SURELY * rows.deviations).any():
        raise NotFollowed(
            f"{each.level.label}: the current at rest moves by "
            f"{format_quantity(float(moved_a.max()), 'A', 2)}, as where a converter begins to work "
            "or a capacitor still forms"
        )


def _require_charged(found: ChargeFit, number: int) -> None:
    """See that most of the charge has flowed by the corner: what is held back drops in series.

    With more, the way up that counts begins before the capacitor takes all of the current.
    """
    each, corner_s = found.ascents[number], found.corner_s(number)
    rows = joined(each.tail_a, each.between_a)
    if not rows.values.size:
        return
    times_s = np.concatenate([[corner_s], rows.times_s])
    over_a = np.concatenate([rows.values[:1], rows.values]) - each.rest_a
    held_v = float(np.trapezoid(over_a, times_s)) / found.bulk_f
    rise_v = each.slope * each.rise_s
    if held_v > _HELD_FRAC * rise_v:
        raise NotFollowed(
            f"{each.level.label}: leads, unit and capacitor drop {format_quantity(held_v, 'V', 2)} "
            "at this limit; a lower one weighs the capacitor"
        )


def _curve(found: ChargeFit, number: int, *, sharp: bool) -> FittedLevel:
    """Return the fitted curve of one level, closer where it bends.

    Its corner is ``sharp`` where nothing was fitted to what follows it.
    """
    each, model, corner_s = found.ascents[number], found.model(number), found.corner_s(number)
    if sharp:
        model = replace(model, emission_v=0.0)
    origin_s = float(each.level.times_s[0])
    last_s = float(each.level.times_s[-1]) - origin_s - corner_s
    first, last = (min(share * each.rise_s, share * last_s) for share in _TAIL_FRAC)
    times_s = np.concatenate(
        [
            np.linspace(-each.rise_s, 0.0, _BEFORE),
            np.geomspace(first, last, _AFTER),
            np.linspace(last, last_s, _AT_REST + 1)[1:],
        ]
    )
    return FittedLevel(
        label=each.level.label,
        times_s=tuple((times_s + corner_s + origin_s).tolist()),
        voltage_v=tuple(model.voltage_v(times_s).tolist()),
        current_a=tuple(model.current_a(times_s).tolist()),
    )
