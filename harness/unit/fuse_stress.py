"""The fuse: what flowed through it, whether that opens it, and whether the story agrees."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from harness.unit.assessment import Severity
from harness.unit.fuse import (
    breaking_capacity_a,
    gates_for,
    melting_integral_a2s,
    melting_time_s,
    stored_heat_a2s,
)
from harness.unit.operating_conditions import OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.parts import FusePart
from harness.unit.reference import Gates
from harness.unit.stress import Short, Treated, judged, short_current_a
from harness.unit.varistor_stress import varistor_rms_a

__all__ = ["fuse_stress"]


def fuse_stress(
    conditions: OperatingConditions, part: FusePart, shorts: tuple[Short, ...]
) -> Treated:
    """Hold a fuse against what flowed through it, and the figures against the story.

    Args:
        conditions: The scene.
        part: The fuse.
        shorts: Parts behind it that carried the current of a short.

    Source:
        First-order heating against the melting integral, see :mod:`harness.unit.fuse`; rated
        voltage and breaking capacity: IEC 60127-1 terms.
    """
    fuses, event = conditions.tables.fuses, conditions.event
    melting_a2s = melting_integral_a2s(part, fuses)
    heat_a2s = max((flow.heat_a2s for flow in _flows(conditions, part, shorts)), default=None)
    row = partial(judged, conditions.tables.stress, "fuse")
    heating = "dH/dt = i^2 - H/tau against the melting integral, textbook"
    interrupted_a = max((short_current_a(conditions, short) for short in shorts), default=None)
    stresses = (
        row("melting integral", "A2s", rating=melting_a2s, event=heat_a2s, source=heating),
        row(
            "inrush integral",
            "A2s",
            rating=melting_a2s,
            event=None if event is None else conditions.inrush_a2s(event),
            service=conditions.inrush_a2s(conditions.service),
            source="V^2 C / (2 R), textbook",
        ),
        row(
            "rated voltage",
            "V",
            rating=part.voltage_v,
            event=None if event is None else event.voltage_v,
            service=conditions.service.voltage_v,
            source="IEC 60127-1 terms",
        ),
        row(
            "breaking capacity",
            "A",
            rating=breaking_capacity_a(part, fuses),
            event=interrupted_a,
            source="IEC 60127-2: L 35 A or 10 In, E 150 A, H 1500 A",
        ),
        row(
            "steady current",
            "A",
            rating=part.current_a,
            service=conditions.file.unit.input.current_a,
            source="rated current carried for ever, IEC 60127-1 terms",
        ),
    )
    opened = conditions.file.event is not None and conditions.file.event.opened == "fuse"
    remarks = (*_story_against_figures(conditions, part, shorts), *_sheet_remark(conditions, part))
    return Treated(
        stresses=stresses,
        remarks=remarks,
        at_least=Severity.DESTROYED if opened else Severity.WITHIN,
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


def _flows(
    conditions: OperatingConditions, part: FusePart, shorts: tuple[Short, ...]
) -> Iterator[_Flow]:
    """Yield what flowed through the fuse at the event."""
    if conditions.event is None:
        return
    fuses = conditions.tables.fuses
    law = (part.current_a, melting_integral_a2s(part, fuses), fuses.held_for_ever_times)
    causes = [
        (_cause(short), short_current_a(conditions, short), short.after_s) for short in shorts
    ]
    causes.append(("the varistor's current", varistor_rms_a(conditions, conditions.event), 0.0))
    for cause, current_a, after_s in causes:
        left_s = max(conditions.event.duration_s - after_s, 0.0)
        yield _Flow(
            cause=cause,
            current_a=current_a,
            heat_a2s=stored_heat_a2s(current_a, left_s, *law),
            parts_s=after_s + melting_time_s(current_a, *law),
        )


def _cause(short: Short) -> str:
    return f"{'the current through' if short.kind == 'diode' else 'a short in'} {short.name}"


def _story_against_figures(
    conditions: OperatingConditions, part: FusePart, shorts: tuple[Short, ...]
) -> Iterator[str]:
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
    if melts and quickest.current_a > breaking_capacity_a(part, conditions.tables.fuses):
        yield "It had to break more than it is rated for: look for soot, cracks, a burnt holder."


def _sheet_remark(conditions: OperatingConditions, part: FusePart) -> Iterator[str]:
    fuses = conditions.tables.fuses
    gates = gates_for(part, fuses)
    if not any(math.isclose(part.current_a, rating) for rating in fuses.ratings_a):
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
