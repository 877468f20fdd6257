"""Replacement adequacy of what stands in the line and across it: fuse to Y capacitor."""

from __future__ import annotations

from collections.abc import Iterator

from harness.unit.adequacy_rules import at_least, finding, same
from harness.unit.assessment import Adequacy, Finding
from harness.unit.formulas import discharged_v, peak_v
from harness.unit.fuse import breaking_capacity_a, melting_integral_a2s
from harness.unit.line_stress import leakage_a
from harness.unit.operating_conditions import OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.parts import (
    BridgePart,
    BulkPart,
    ChokePart,
    CurrentRatings,
    DiodePart,
    FusePart,
    FuseRatings,
    LimiterPart,
    LimiterRatings,
    VaristorPart,
    VaristorRatings,
    XCapacitorPart,
    XCapacitorRatings,
    YCapacitorPart,
    YCapacitorRatings,
)
from harness.unit.varistor_stress import varistor_figures

__all__ = [
    "choke_findings",
    "fuse_findings",
    "limiter_findings",
    "next_rating",
    "varistor_findings",
    "x_capacitor_findings",
    "y_capacitor_findings",
]

#: Capacitances and resistances that differ by no more are within tolerance; common practice.
_TOLERANCE_FRAC = 0.2


# --- fuse -----------------------------------------------------------------------------------


def fuse_findings(
    conditions: OperatingConditions, part: FusePart, fitted: FuseRatings
) -> Iterator[Finding]:
    """Judge a fuse: current, characteristic, melting integral, voltage, breaking capacity.

    Source:
        Letters and breaking capacity: IEC 60127-2. That a fuse is replaced by its like only:
        common practice, and what the unit's approval was given with.
    """
    yield _fuse_current(conditions, part, fitted)
    yield _fuse_characteristic(conditions, part, fitted)
    yield _fuse_integral(conditions, part, fitted)
    yield from at_least(
        "rated voltage",
        "V",
        part.voltage_v,
        fitted.voltage_v,
        need=conditions.service.voltage_v,
        why="the highest line voltage",
    )
    yield _breaking(conditions, part, fitted)


def _fuse_current(conditions: OperatingConditions, part: FusePart, fitted: FuseRatings) -> Finding:
    item, line_a = "rated current", conditions.file.unit.input.current_a
    if same(part.current_a, fitted.current_a):
        return finding(item, "A", part.current_a, fitted.current_a, Adequacy.EQUIVALENT)
    if fitted.current_a > part.current_a:
        reason = "it lets a fault draw more than the unit was built for; fit the printed rating"
        adequacy = Adequacy.UNACCEPTABLE
    elif fitted.current_a < line_a:
        reason = f"below the nameplate's {shown_figure(line_a, 'A')}: it opens in normal service"
        adequacy = Adequacy.UNACCEPTABLE
    else:
        reason = "less than the printed rating: it may open in normal service"
        adequacy = Adequacy.NOTE
    return finding(item, "A", part.current_a, fitted.current_a, adequacy, reason)


def _fuse_characteristic(
    conditions: OperatingConditions, part: FusePart, fitted: FuseRatings
) -> Finding:
    slowness = conditions.tables.fuses.slowness
    difference = slowness(fitted.characteristic) - slowness(part.characteristic)
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if difference > 0:
        adequacy = Adequacy.UNACCEPTABLE
        reason = "slower than printed: a fault heats the parts behind it for longer"
    elif difference < 0:
        adequacy = Adequacy.NOTE
        reason = "quicker than printed: it may open at switch-on"
    return Finding(
        item="characteristic",
        original=part.characteristic,
        fitted=fitted.characteristic,
        adequacy=adequacy,
        reason=reason,
    )


def _fuse_integral(conditions: OperatingConditions, part: FusePart, fitted: FuseRatings) -> Finding:
    """Hold the melting integral against the original's and against the inrush."""
    fuses = conditions.tables.fuses
    original_a2s, fitted_a2s = (melting_integral_a2s(link, fuses) for link in (part, fitted))
    inrush_a2s = conditions.inrush_a2s(conditions.service)
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if fitted_a2s <= inrush_a2s:
        adequacy = Adequacy.UNACCEPTABLE
        reason = f"the inrush of {shown_figure(inrush_a2s, 'A2s')} opens it at switch-on"
    elif fitted_a2s > 1.5 * original_a2s:
        adequacy = Adequacy.NOTE
        reason = "a fault heats the parts behind it for longer than behind the original"
    elif fitted_a2s < original_a2s and not same(fitted_a2s, original_a2s):
        adequacy = Adequacy.NOTE
        reason = f"nearer to the inrush of {shown_figure(inrush_a2s, 'A2s')} than the original"
    return finding("melting integral", "A2s", original_a2s, fitted_a2s, adequacy, reason)


def _breaking(conditions: OperatingConditions, part: FusePart, fitted: FuseRatings) -> Finding:
    """Hold the breaking capacity against the prospective current in service."""
    fuses, item = conditions.tables.fuses, "breaking capacity"
    original_a, fitted_a = (breaking_capacity_a(link, fuses) for link in (part, fitted))
    needed_a = conditions.service.prospective_a
    stated = conditions.file.service.prospective_current_a is not None
    if fitted_a < needed_a and not same(fitted_a, needed_a):
        below = (
            f"the supply in service can give {shown_figure(needed_a, 'A')}: a short could burst it"
        )
        if stated or fitted_a < original_a:
            return finding(item, "A", original_a, fitted_a, Adequacy.UNACCEPTABLE, below)
        if same(fitted_a, original_a):
            reason = "as printed; the supply's prospective current is not stated"
            return finding(item, "A", original_a, fitted_a, Adequacy.EQUIVALENT, reason)
    if same(fitted_a, original_a):
        return finding(item, "A", original_a, fitted_a, Adequacy.EQUIVALENT)
    if fitted_a > original_a:
        return finding(item, "A", original_a, fitted_a, Adequacy.BETTER)
    reason = f"less than printed; the supply in service gives {shown_figure(needed_a, 'A')}"
    return finding(item, "A", original_a, fitted_a, Adequacy.NOTE, reason)


# --- limiter and choke ----------------------------------------------------------------------


def limiter_findings(
    conditions: OperatingConditions, part: LimiterPart, fitted: LimiterRatings
) -> Iterator[Finding]:
    """Judge an inrush limiter: resistance and steady current. Source: common practice."""
    original_ohm, fitted_ohm = part.resistance_ohm, fitted.resistance_ohm
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if not same(original_ohm, fitted_ohm):
        adequacy, reason = Adequacy.NOTE, "the inrush changes with it"
        if fitted_ohm < 0.5 * original_ohm:
            adequacy = Adequacy.UNACCEPTABLE
            reason = "the inrush is more than the rectifier and fuse were chosen for"
    yield finding("resistance when cold", "ohm", original_ohm, fitted_ohm, adequacy, reason)
    yield from _steady_current(conditions, part.current_a, fitted.current_a)


def choke_findings(
    conditions: OperatingConditions, part: ChokePart, fitted: CurrentRatings
) -> Iterator[Finding]:
    """Judge a choke: rated current. Source: common practice."""
    yield from _steady_current(conditions, part.current_a, fitted.current_a)


def _steady_current(
    conditions: OperatingConditions, original_a: float, fitted_a: float
) -> tuple[Finding, ...]:
    return at_least(
        "rated current",
        "A",
        original_a,
        fitted_a,
        need=conditions.file.unit.input.current_a,
        why="the nameplate's current",
    )


# --- varistor -------------------------------------------------------------------------------


def varistor_findings(
    conditions: OperatingConditions, part: VaristorPart, fitted: VaristorRatings
) -> Iterator[Finding]:
    """Judge a varistor: continuous voltage, surge current, energy, clamping voltage.

    Source:
        IEC 61051-1 terms. The continuous rating must bear the highest line voltage; where it does
        not, the next class above is due: common practice.
    """
    yield from _continuous(conditions, part, fitted)
    yield from at_least("surge current", "A", part.surge_current_a, fitted.surge_current_a)
    yield from at_least("energy", "J", part.energy_j, fitted.energy_j)
    yield _clamping(conditions, part, fitted)


def _continuous(
    conditions: OperatingConditions, part: VaristorPart, fitted: VaristorRatings
) -> tuple[Finding, ...]:
    table, dc = conditions.tables.varistors, conditions.service.kind == "dc"
    highest_v = conditions.service.voltage_v
    due = table.class_for(highest_v, dc=dc)
    rated = "" if due is None else shown_figure(due.maximum_dc_v if dc else due.maximum_ac_v, "V")
    original_v, fitted_v = (
        varistor_figures(ratings, table).maximum_dc_v if dc else ratings.maximum_ac_v
        for ratings in (part, fitted)
    )
    return at_least(
        f"continuous {'DC' if dc else 'AC'} voltage",
        "V",
        original_v,
        fitted_v,
        need=highest_v,
        why="the highest line voltage",
        instead=f"fit the {rated} class or the next above" if rated else "",
    )


def next_rating(conditions: OperatingConditions) -> tuple[str, float] | None:
    """Return name and peak voltage rating of the next part behind the varistor, or None."""
    for part in conditions.file.parts:
        if isinstance(part, BridgePart) or (isinstance(part, DiodePart) and part.place == "series"):
            return part.name, (part.fitted or part).reverse_v
    bulk = conditions.first(BulkPart)
    if bulk is None:
        return None
    now = bulk.fitted or bulk
    factor = conditions.tables.capacitors.surge_factor(now.voltage_v)
    return bulk.name, now.surge_v or factor * now.voltage_v


def _clamping(
    conditions: OperatingConditions, part: VaristorPart, fitted: VaristorRatings
) -> Finding:
    """Hold the clamping voltage against the original's and the next part's rating."""
    table, item = conditions.tables.varistors, "clamping voltage"
    original_v, fitted_v = (varistor_figures(row, table).clamping_v for row in (part, fitted))
    behind = next_rating(conditions)
    higher = fitted_v > original_v and not same(fitted_v, original_v)
    bound = "" if behind is None else f"{behind[0]} is rated {shown_figure(behind[1], 'V')}"
    if behind is not None and fitted_v > behind[1]:
        if higher:
            reason = f"it clamps higher than the original, and {bound}"
            return finding(item, "V", original_v, fitted_v, Adequacy.UNACCEPTABLE, reason)
        reason = f"no higher than the original, yet {bound}"
        return finding(item, "V", original_v, fitted_v, Adequacy.NOTE, reason)
    if higher:
        reason = "it clamps higher than the original" + (f"; {bound}" if bound else "")
        return finding(item, "V", original_v, fitted_v, Adequacy.NOTE, reason)
    adequacy = Adequacy.EQUIVALENT if same(original_v, fitted_v) else Adequacy.BETTER
    return finding(item, "V", original_v, fitted_v, adequacy)


# --- interference suppression capacitors ------------------------------------------------------


def x_capacitor_findings(
    conditions: OperatingConditions, part: XCapacitorPart, fitted: XCapacitorRatings
) -> Iterator[Finding]:
    """Judge an X capacitor: rated voltage, sub-class, capacitance, discharge of the plug pins.

    Source:
        IEC 60384-14 sub-classes (from memory); IEC 60335-1, 22.5 for the discharge.
    """
    yield from _line_voltage(conditions, part.voltage_v, fitted.voltage_v)
    yield _sub_class(conditions, part.sub_class, fitted.sub_class)
    yield _capacitance(part.capacitance_f, fitted.capacitance_f)
    yield from _discharge(conditions, part, fitted)


def y_capacitor_findings(
    conditions: OperatingConditions, part: YCapacitorPart, fitted: YCapacitorRatings
) -> Iterator[Finding]:
    """Judge a Y capacitor: rated voltage, sub-class, capacitance, current to what can be touched.

    Source:
        IEC 60384-14 sub-classes (from memory); limits of EN 50678.
    """
    yield from _line_voltage(conditions, part.voltage_v, fitted.voltage_v)
    yield _sub_class(conditions, part.sub_class, fitted.sub_class)
    yield _capacitance(part.capacitance_f, fitted.capacitance_f)
    yield from _leakage(conditions, part, fitted)


def _line_voltage(
    conditions: OperatingConditions, original_v: float, fitted_v: float
) -> tuple[Finding, ...]:
    return at_least(
        "rated voltage",
        "V",
        original_v,
        fitted_v,
        need=conditions.service.voltage_v,
        why="the highest line voltage",
    )


def _sub_class(conditions: OperatingConditions, original: str, fitted: str) -> Finding:
    adequacy, reason = Adequacy.EQUIVALENT, _why_not_class(conditions, original, fitted)
    if reason:
        adequacy = Adequacy.UNACCEPTABLE
    elif fitted != original:
        adequacy = Adequacy.BETTER
    return Finding(item="class", original=original, fitted=fitted, adequacy=adequacy, reason=reason)


def _why_not_class(conditions: OperatingConditions, original: str, fitted: str) -> str:
    """Say why a sub-class may not stand there; empty if it may."""
    table = conditions.tables.capacitors
    up_to_v = table.line_up_to_v.get(fitted)
    if conditions.service.kind == "ac" and fitted == "none":
        return "no interference suppression capacitor: it may not stand across the mains"
    if up_to_v is not None and conditions.service.voltage_v > up_to_v:
        return f"{fitted} is for lines up to {shown_figure(up_to_v, 'V')} (IEC 60384-14)"
    if original in (fitted, "none") or fitted in table.replaces[original]:
        return ""
    proved = " and ".join(
        f"{name} with {shown_figure(table.impulse_v[name], 'V')}" for name in (fitted, original)
    )
    return f"it may not stand in the place of {original} (IEC 60384-14 proves {proved})"


def _capacitance(original_f: float, fitted_f: float) -> Finding:
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if not same(original_f, fitted_f):
        adequacy = Adequacy.NOTE
        near = abs(fitted_f / original_f - 1.0) <= _TOLERANCE_FRAC
        reason = "within the usual tolerance" if near else "interference changes with it"
    return finding("capacitance", "F", original_f, fitted_f, adequacy, reason)


def _discharge(
    conditions: OperatingConditions, part: XCapacitorPart, fitted: XCapacitorRatings
) -> Iterator[Finding]:
    rule = conditions.tables.capacitors.discharge
    if conditions.service.kind != "ac" or rule.exempts(fitted.capacitance_f):
        return
    item = f"plug pins after {shown_figure(rule.after_s, 's')}"
    if part.bleeder_ohm is None:
        reason = f"no bleeder is named; {shown_figure(rule.limit_v, 'V')} at most, IEC 60335-1"
        yield finding(item, "V", None, None, Adequacy.NOTE, reason)
        return
    peak = peak_v(conditions.service.voltage_v)
    original_v, fitted_v = (
        discharged_v(peak, rule.after_s, part.bleeder_ohm * ratings.capacitance_f)
        for ratings in (part, fitted)
    )
    if fitted_v > rule.limit_v:
        reason = f"above the {shown_figure(rule.limit_v, 'V')} of IEC 60335-1, 22.5"
        yield finding(item, "V", original_v, fitted_v, Adequacy.UNACCEPTABLE, reason)
    else:
        yield finding(item, "V", original_v, fitted_v, Adequacy.EQUIVALENT)


def _leakage(
    conditions: OperatingConditions, part: YCapacitorPart, fitted: YCapacitorRatings
) -> Iterator[Finding]:
    limits, protection = conditions.tables.capacitors.leakage, conditions.file.unit.protection_class
    if conditions.service.kind != "ac" or protection == "III":
        return
    limit_a = limits.class_i_a if protection == "I" else limits.class_ii_a
    original_a, fitted_a = (
        leakage_a(conditions.service, ratings.capacitance_f) for ratings in (part, fitted)
    )
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if fitted_a > limit_a:
        adequacy = Adequacy.UNACCEPTABLE
        reason = f"above the {shown_figure(limit_a, 'A')} of EN 50678, class {protection}"
    yield finding("leakage at the line", "A", original_a, fitted_a, adequacy, reason)
