"""Inrush limiter, choke and varistor: their stress, their replacements, their cold checks."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity, Stress
from harness.unit.operating_conditions import Conditions, Line
from harness.unit.parts import (
    BridgePart,
    BulkPart,
    ChokePart,
    CurrentRatings,
    DiodePart,
    LimiterPart,
    LimiterRatings,
    VaristorPart,
    VaristorRatings,
    shown_figure,
)
from harness.unit.ratings import (
    HIGHEST_LINE,
    NAMEPLATE_CURRENT,
    Kind,
    PartStress,
    Shorts,
    at_least,
    cold_check,
    fault_a2s,
    finding,
    same,
    stress,
)
from harness.unit.varistor import clamped_v, line_power_w

__all__ = ["CHOKE", "LIMITER", "VARISTOR"]


# --- limiter and choke: what only heats -----------------------------------------------------


def _winding_stress(
    conditions: Conditions, part: LimiterPart | ChokePart, shorts: Shorts
) -> PartStress:
    """Hold something that only heats against steady current and the heat of a short behind it.

    Source:
        I2t against rated current squared times the time it takes to warm through: at that it is as
        hot again as its rating makes it. Common practice.
    """
    rated_a2s = part.current_a**2 * conditions.tables.stress.usual.warm_through_s
    behind = (short for short in shorts if short.kind not in ("varistor", "x-capacitor"))
    nameplate_a = conditions.file.unit.input.current_a
    heat = stress(
        conditions,
        part.kind,
        "heat",
        rated_a2s,
        event=fault_a2s(conditions, behind),
        service=conditions.inrush_a2s(conditions.service),
    )
    steady = stress(conditions, part.kind, "steady current", part.current_a, service=nameplate_a)
    return PartStress(stresses=(steady, heat))


def _winding_findings(
    conditions: Conditions, part: LimiterPart | ChokePart, fitted: LimiterRatings | CurrentRatings
) -> Iterator[Finding]:
    """Judge a limiter by resistance, limiter and choke by current. Source: common practice."""
    if isinstance(part, LimiterPart) and isinstance(fitted, LimiterRatings | LimiterPart):
        original_ohm, fitted_ohm = part.resistance_ohm, fitted.resistance_ohm
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if fitted_ohm < 0.5 * original_ohm:
            adequacy = Adequacy.UNACCEPTABLE
            reason = "the inrush is more than the rectifier and fuse were chosen for"
        elif not same(original_ohm, fitted_ohm):
            adequacy, reason = Adequacy.NOTE, "the inrush changes with it"
        yield finding("resistance when cold", "ohm", original_ohm, fitted_ohm, adequacy, reason)
    need_a = conditions.file.unit.input.current_a
    yield from at_least(
        "rated current", "A", part.current_a, fitted.current_a, need=need_a, why=NAMEPLATE_CURRENT
    )


def _limiter_check(_conditions: Conditions, part: LimiterPart) -> ColdCheck:
    low, high = 0.75 * part.resistance_ohm, 1.25 * part.resistance_ohm
    expected = f"{shown_figure(low, 'ohm')} to {shown_figure(high, 'ohm')}; no crack"
    return cold_check(part.name, "resistance when cold", expected, "ohm", low=low, high=high)


def _choke_check(_conditions: Conditions, part: ChokePart) -> ColdCheck:
    most_ohm = 1.5 * part.resistance_ohm if part.resistance_ohm is not None else 2.0
    return cold_check(
        part.name,
        "resistance of each winding, and from winding to winding",
        f"below {shown_figure(most_ohm, 'ohm', 2)}, both alike; winding to winding open; "
        "no brown turns",
        "ohm",
        high=most_ohm,
    )


# --- varistor -------------------------------------------------------------------------------


def _varistor_stress(conditions: Conditions, part: VaristorPart, _shorts: Shorts) -> PartStress:
    """Hold a varistor against the line: continuous voltage, current, energy until it fails.

    Source:
        Continuous voltage: IEC 61051-1 terms. Current and energy: power law behind the source,
        see :mod:`harness.unit.varistor`. That it fails short: common practice.
    """
    event, service = conditions.event, conditions.service
    figures = conditions.tables.varistors.figures(part)

    def continuous(kind: str, event_v: float | None, service_v: float | None) -> Stress:
        rating_v, item = figures.continuous_v(kind), "continuous voltage"
        return stress(conditions, "varistor", item, rating_v, event=event_v, service=service_v)

    if event is None:
        return PartStress(stresses=(continuous(service.kind, None, service.voltage_v),))
    if event.kind == service.kind:
        stresses = [continuous(event.kind, event.voltage_v, service.voltage_v)]
    else:
        stresses = [
            continuous(service.kind, None, service.voltage_v),
            continuous(event.kind, event.voltage_v, None),
        ]
    if event.voltage_v <= figures.continuous_v(event.kind):
        remark = "Below its continuous voltage it carried nothing that counts."
        return PartStress(stresses=tuple(stresses), remarks=(remark,))
    return _conduction(conditions, part, event, stresses)


def _conduction(
    conditions: Conditions, part: VaristorPart, event: Line, stresses: list[Stress]
) -> PartStress:
    """Add what flowed through a varistor at the event, and when its energy rating was spent.

    Source:
        Time to the energy rating t = E / P, no heat given off: on the short side for long times.
        Common practice.
    """
    law = conditions.tables.varistors.law(part)
    across_v = clamped_v(event.peak_v, event.source_ohm, *law)
    peak_a = (event.peak_v - across_v) / event.source_ohm
    power_w = line_power_w(event.peak_v, event.source_ohm, *law, dc=event.kind == "dc")
    told = (
        f"At the peak it carries {shown_figure(peak_a, 'A', 2)} and has "
        f"{shown_figure(across_v, 'V')} across it, {shown_figure(power_w, 'W', 2)} on average"
    )
    after_s = 0.0
    if part.surge_current_a is not None:
        rating_a = part.surge_current_a
        stresses.append(stress(conditions, "varistor", "current", rating_a, event=peak_a))
    if part.energy_j is None:
        told += "; past its energy it fails short."
    else:
        taken_j = power_w * event.duration_s
        stresses.append(stress(conditions, "varistor", "energy", part.energy_j, event=taken_j))
        after_s = part.energy_j / power_w if power_w > 0.0 else math.inf
        spent = shown_figure(after_s, "s", 2)
        told += f": its energy rating is spent after {spent}, then it fails short."
    destroyed = any(one.severity is Severity.DESTROYED for one in stresses)
    return PartStress(
        stresses=tuple(stresses),
        remarks=(told,),
        shorted_after_s=after_s if destroyed and after_s <= event.duration_s else None,
    )


def _varistor_findings(
    conditions: Conditions, part: VaristorPart, fitted: VaristorRatings
) -> Iterator[Finding]:
    """Judge a varistor: continuous voltage, surge current, energy, clamping voltage.

    Source:
        IEC 61051-1 terms. The continuous rating must bear the highest line voltage; where it does
        not, the next class above is due: common practice.
    """
    table, service = conditions.tables.varistors, conditions.service
    original, now = table.figures(part), table.figures(fitted)
    due = table.class_for(service.voltage_v, service.kind)
    class_v = "" if due is None else shown_figure(due.continuous_v(service.kind), "V")
    yield from at_least(
        f"continuous {service.kind.upper()} voltage",
        "V",
        original.continuous_v(service.kind),
        now.continuous_v(service.kind),
        need=service.voltage_v,
        why=HIGHEST_LINE,
        instead=f"fit the {class_v} class or the next above" if due else "",
    )
    yield from at_least("surge current", "A", part.surge_current_a, fitted.surge_current_a)
    yield from at_least("energy", "J", part.energy_j, fitted.energy_j)
    yield _clamping(conditions, original.clamping_v, now.clamping_v)


def _clamping(conditions: Conditions, original_v: float, fitted_v: float) -> Finding:
    """Hold the clamping voltage against the original's and the next part's rating."""
    behind = _next_rating(conditions)
    higher = fitted_v > original_v and not same(fitted_v, original_v)
    bound = "" if behind is None else f"{behind[0]} is rated {shown_figure(behind[1], 'V')}"
    adequacy, reason = Adequacy.NOTE, ""
    if behind is not None and fitted_v > behind[1]:
        reason = f"no higher than the original, yet {bound}"
        if higher:
            adequacy = Adequacy.UNACCEPTABLE
            reason = f"it clamps higher than the original, and {bound}"
    elif higher:
        reason = "it clamps higher than the original" + (f"; {bound}" if bound else "")
    else:
        adequacy = Adequacy.EQUIVALENT if same(original_v, fitted_v) else Adequacy.BETTER
    return finding("clamping voltage", "V", original_v, fitted_v, adequacy, reason)


def _next_rating(conditions: Conditions) -> tuple[str, float] | None:
    """Return name and peak voltage rating of the next part behind the varistor, or None."""
    for part in conditions.file.parts:
        if isinstance(part, BridgePart) or (isinstance(part, DiodePart) and part.place == "series"):
            return part.name, (part.fitted or part).reverse_v
    bulk = conditions.first(BulkPart)
    if bulk is None:
        return None
    return bulk.name, conditions.tables.capacitors.surge_v(bulk.fitted or bulk)


def _varistor_check(conditions: Conditions, part: VaristorPart) -> ColdCheck:
    table = conditions.tables.varistors
    at_1ma_v, tolerance_frac = table.figures(part).at_1ma_v, table.tolerance_frac
    low_v = shown_figure(at_1ma_v * (1 - tolerance_frac), "V")
    high_v = shown_figure(at_1ma_v * (1 + tolerance_frac), "V")
    return cold_check(
        part.name,
        "one lead lifted: resistance; with a current-limited tester the voltage at 1 mA",
        f"above 1 Mohm; {low_v} to {high_v} at 1 mA; no crack, no soot",
        "ohm",
        low=1e6,
    )


LIMITER = Kind(stress=_winding_stress, findings=_winding_findings, check=_limiter_check)
CHOKE = Kind(stress=_winding_stress, findings=_winding_findings, check=_choke_check)
VARISTOR = Kind(stress=_varistor_stress, findings=_varistor_findings, check=_varistor_check)
