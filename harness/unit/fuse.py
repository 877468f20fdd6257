"""The fuse: what flowed through it, whether that opens it, and what may stand in its place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.formulas import fuse_heat_a2s, melting_time_s
from harness.unit.operating_conditions import Conditions
from harness.unit.parts import FusePart, FuseRatings, VaristorPart, shown_figure
from harness.unit.ratings import (
    HIGHEST_LINE,
    Kind,
    PartStress,
    Short,
    Shorts,
    at_least,
    cold_check,
    finding,
    same,
    short_current_a,
    stress,
)
from harness.unit.reference import Gates
from harness.unit.varistor import rms_current_a

__all__ = ["FUSE"]


# --- stress ---------------------------------------------------------------------------------


def _stress(conditions: Conditions, part: FusePart, shorts: Shorts) -> PartStress:
    """Hold a fuse against what flowed through it, and the figures against the story.

    Source:
        First-order heating against the melting integral, see :mod:`harness.unit.formulas`; rated
        voltage and breaking capacity: IEC 60127-1 terms.
    """
    fuses, event = conditions.tables.fuses, conditions.file.event
    melting_a2s = fuses.melting_integral_a2s(part)
    heat_a2s = max((flow.heat_a2s for flow in _flows(conditions, part, shorts)), default=None)
    broken_a = max((short_current_a(conditions, short) for short in shorts), default=None)
    nameplate_a = conditions.file.unit.input.current_a
    return PartStress(
        stresses=(
            stress(conditions, "fuse", "melting integral", melting_a2s, event=heat_a2s),
            stress(conditions, "fuse", "inrush integral", melting_a2s, at=conditions.inrush_a2s),
            stress(
                conditions, "fuse", "rated voltage", part.voltage_v, at=lambda line: line.voltage_v
            ),
            stress(
                conditions,
                "fuse",
                "breaking capacity",
                fuses.breaking_capacity_a(part),
                event=broken_a,
            ),
            stress(conditions, "fuse", "steady current", part.current_a, service=nameplate_a),
        ),
        remarks=(
            *_story_against_figures(conditions, part, shorts),
            *_about_sheet(conditions, part),
        ),
        known=Severity.DESTROYED if event and event.opened == "fuse" else Severity.WITHIN,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Flow:
    """A current through the fuse.

    Attributes:
        cause: What draws it, in words.
        current_a: The current (rms for AC).
        heat_a2s: Heat it leaves in the element by the end of the event.
        parts_s: Time it parts the element at, from the beginning of the event; infinite if never.
    """

    cause: str
    current_a: float
    heat_a2s: float
    parts_s: float


def _flows(conditions: Conditions, part: FusePart, shorts: Shorts) -> Iterator[_Flow]:
    """Yield what flowed through the fuse at the event."""
    event = conditions.event
    if event is None:
        return
    fuses = conditions.tables.fuses
    law = (part.current_a, fuses.melting_integral_a2s(part), fuses.held_for_ever_times)
    causes = [
        (_cause(short), short_current_a(conditions, short), short.after_s) for short in shorts
    ]
    causes.append(("the varistor's current", _varistor_rms_a(conditions), 0.0))
    for cause, current_a, after_s in causes:
        left_s = max(event.duration_s - after_s, 0.0)
        yield _Flow(
            cause=cause,
            current_a=current_a,
            heat_a2s=fuse_heat_a2s(current_a, left_s, *law),
            parts_s=after_s + melting_time_s(current_a, *law),
        )


def _cause(short: Short) -> str:
    return f"{'the current through' if short.kind == 'diode' else 'a short in'} {short.name}"


def _varistor_rms_a(conditions: Conditions) -> float:
    """Return the rms current of the unit's varistor at the event; 0 where there is none."""
    part, event = conditions.first(VaristorPart), conditions.event
    table = conditions.tables.varistors
    if part is None or event is None:
        return 0.0
    if event.voltage_v <= table.figures(part).continuous_v(event.kind):
        return 0.0
    dc = event.kind == "dc"
    return rms_current_a(event.peak_v, event.source_ohm, *table.law(part), dc=dc)


def _story_against_figures(conditions: Conditions, part: FusePart, shorts: Shorts) -> Iterator[str]:
    """Say whether what opened is what the figures expect."""
    event = conditions.file.event
    if event is None or conditions.event is None:
        return
    quickest = min(_flows(conditions, part, shorts), key=lambda flow: flow.parts_s)
    melts = quickest.parts_s <= conditions.event.duration_s
    after = shown_figure(quickest.parts_s, "s", 2) if melts else ""
    through = quickest.cause
    if melts and event.opened == "fuse":
        yield f"It opened as it should: by the figures {through} parts it after {after}."
    elif melts and event.opened == "breaker":
        yield f"A breaker opened; by the figures {through} parts the fuse after {after} as well."
    elif melts:
        yield (
            f"By the figures {through} parts it after {after}. If it is whole, check its rating, "
            "and that nothing bridges it."
        )
    elif event.opened == "fuse":
        yield (
            "It opened, but no part here draws enough for that by these figures: look for a short "
            "they do not show before power."
        )
    if melts and quickest.current_a > conditions.tables.fuses.breaking_capacity_a(part):
        yield "It had to break more than it is rated for: look for soot, cracks, a burnt holder."


def _about_sheet(conditions: Conditions, part: FusePart) -> Iterator[str]:
    fuses = conditions.tables.fuses
    gates = fuses.gates_for(part)
    if not fuses.is_preferred(part.current_a):
        yield (
            f"{shown_figure(part.current_a, 'A')} is no preferred rating of IEC 60127-2. A link to "
            "UL 248-14 opens by other gates: the two are not interchangeable."
        )
    elif part.melting_i2t_a2s is None and gates is not None:
        yield (
            "Melting integral by its letters; its gate at ten times the rating allows "
            f"{_ten_fold_range(part, gates)} ({gates.source})."
        )


def _ten_fold_range(part: FusePart, gates: Gates) -> str:
    """Return the melting integrals that the gate at ten times the rating allows.

    Source:
        (10 In)^2 times the least and the longest time of the gate, computed.
    """
    gate = gates.times[-1]
    square = (gate.times * part.current_a) ** 2
    most = shown_figure(square * (gate.most_s or math.inf), "A2s")
    least = shown_figure(square * gate.least_s, "A2s")
    return f"{least} to {most}" if gate.least_s else f"up to {most}"


# --- replacement ----------------------------------------------------------------------------


def _findings(conditions: Conditions, part: FusePart, fitted: FuseRatings) -> Iterator[Finding]:
    """Judge a fuse: current, characteristic, melting integral, voltage, breaking capacity.

    Source:
        Letters and breaking capacity: IEC 60127-2. That a fuse is replaced by its like only:
        common practice, and what the unit's approval was given with.
    """
    yield _current(conditions, part, fitted)
    yield _characteristic(conditions, part, fitted)
    yield _melting_integral(conditions, part, fitted)
    need_v = conditions.service.voltage_v
    yield from at_least(
        "rated voltage", "V", part.voltage_v, fitted.voltage_v, need=need_v, why=HIGHEST_LINE
    )
    yield _breaking_capacity(conditions, part, fitted)


def _current(conditions: Conditions, part: FusePart, fitted: FuseRatings) -> Finding:
    line_a = conditions.file.unit.input.current_a
    adequacy, reason = Adequacy.UNACCEPTABLE, ""
    if same(part.current_a, fitted.current_a):
        adequacy = Adequacy.EQUIVALENT
    elif fitted.current_a > part.current_a:
        reason = "it lets a fault draw more than the unit was built for; fit the printed rating"
    elif fitted.current_a < line_a:
        reason = f"below the nameplate's {shown_figure(line_a, 'A')}: it opens in normal service"
    else:
        adequacy = Adequacy.NOTE
        reason = "less than the printed rating: it may open in normal service"
    return finding("rated current", "A", part.current_a, fitted.current_a, adequacy, reason)


def _characteristic(conditions: Conditions, part: FusePart, fitted: FuseRatings) -> Finding:
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


def _melting_integral(conditions: Conditions, part: FusePart, fitted: FuseRatings) -> Finding:
    """Hold the melting integral against the original's and against the inrush."""
    fuses = conditions.tables.fuses
    original_a2s, fitted_a2s = fuses.melting_integral_a2s(part), fuses.melting_integral_a2s(fitted)
    inrush_a2s = conditions.inrush_a2s(conditions.service)
    adequacy, reason = Adequacy.NOTE, ""
    if fitted_a2s <= inrush_a2s:
        adequacy = Adequacy.UNACCEPTABLE
        reason = f"the inrush of {shown_figure(inrush_a2s, 'A2s')} opens it at switch-on"
    elif fitted_a2s > 1.5 * original_a2s:
        reason = "a fault heats the parts behind it for longer than behind the original"
    elif fitted_a2s < original_a2s and not same(fitted_a2s, original_a2s):
        reason = f"nearer to the inrush of {shown_figure(inrush_a2s, 'A2s')} than the original"
    else:
        adequacy = Adequacy.EQUIVALENT
    return finding("melting integral", "A2s", original_a2s, fitted_a2s, adequacy, reason)


def _breaking_capacity(conditions: Conditions, part: FusePart, fitted: FuseRatings) -> Finding:
    """Hold the breaking capacity against the prospective current in service."""
    fuses, needed_a = conditions.tables.fuses, conditions.service.prospective_a
    original_a, fitted_a = fuses.breaking_capacity_a(part), fuses.breaking_capacity_a(fitted)
    as_printed = same(fitted_a, original_a)
    too_low = fitted_a < needed_a and not same(fitted_a, needed_a)
    stated = conditions.file.service.prospective_current_a is not None
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if too_low and (stated or fitted_a < original_a):
        adequacy = Adequacy.UNACCEPTABLE
        supply = f"the supply in service can give {shown_figure(needed_a, 'A')}"
        reason = f"{supply}: a short could burst it"
    elif too_low and as_printed:
        reason = "as printed; the supply's prospective current is not stated"
    elif fitted_a > original_a and not as_printed:
        adequacy = Adequacy.BETTER
    elif not as_printed:
        adequacy = Adequacy.NOTE
        reason = f"less than printed; the supply in service gives {shown_figure(needed_a, 'A')}"
    return finding("breaking capacity", "A", original_a, fitted_a, adequacy, reason)


# --- cold check -----------------------------------------------------------------------------


def _check(_conditions: Conditions, part: FusePart) -> ColdCheck:
    # About 0.1 V across a whole link at its rating (common practice), with room for the leads.
    most_ohm = 0.5 / part.current_a + 0.5
    expected = f"below {shown_figure(most_ohm, 'ohm', 2)}; open: blown"
    measure = "resistance of the fuse, out of its holder"
    return cold_check(part.name, measure, expected, "ohm", high=most_ohm)


FUSE = Kind(stress=_stress, findings=_findings, check=_check)
