"""The words around the figures: the story, what was assumed, what is open, what can hurt."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.quantity import format_quantity
from harness.unit.assessment import Adequacy, PartAssessment, Replacement
from harness.unit.formulas import capacitor_energy_j
from harness.unit.operating_conditions import Conditions
from harness.unit.parts import FusePart, LimiterPart, VaristorPart, shown_figure

_OPENED = {
    "fuse": "the unit's fuse opened",
    "breaker": "a breaker opened",
    "nothing": "nothing opened",
    "unknown": "what opened is not known",
}

_MEASURE = (
    "Use a resistor made for it, then measure, with a meter proved on a known voltage just before "
    "and after."
)
_FIRST_POWER = (
    "Eye protection on: parts that were over-stressed can burst later. First power isolated from "
    "the mains, through an RCD (GFCI), hands clear."
)
_BOUNDS = (
    "Figures here narrow down where to look. They prove nothing: the cold checks do. Local codes, "
    "the maker's instructions and licensed practice come first."
)


def story(conditions: Conditions) -> str:
    """Return what happened: voltage, kind, time, what opened, and the note of the file."""
    event, line = conditions.file.event, conditions.file.unit.input
    rated = f"{shown_figure(line.nominal_v, 'V')} {line.kind.upper()}"
    if event is None:
        return f"Rated {rated}; nothing is known to have happened."
    applied = f"{shown_figure(event.voltage_v, 'V')} {event.kind.upper()}"
    if event.frequency_hz is not None:
        applied += f" {shown_figure(event.frequency_hz, 'Hz')}"
    if event.polarity_reversed:
        applied += ", polarity reversed,"
    time = "" if event.duration_s is None else f" for {shown_figure(event.duration_s, 's')}"
    text = f"{applied} on a {rated} unit{time}; {_OPENED[event.opened]}."
    return text if event.note is None else f"{text} Note: {event.note.rstrip('.')}."


def assumptions(conditions: Conditions) -> Iterator[str]:
    """Yield what was taken for granted where the file is silent."""
    yield from _about_supplies(conditions)
    yield from _about_path(conditions)
    for fuse in conditions.parts_of(FusePart):
        if fuse.melting_i2t_a2s is None:
            yield (
                f"{fuse.name}: melting integral by its letters (common practice); the maker's "
                "sheet decides."
            )
    for varistor in conditions.parts_of(VaristorPart):
        if None in (varistor.voltage_at_1ma_v, varistor.clamping_v):
            yield f"{varistor.name}: figures not given are those of its class (common practice)."


def _about_supplies(conditions: Conditions) -> Iterator[str]:
    event, file = conditions.file.event, conditions.file
    if event is not None and conditions.event is not None:
        if event.duration_s is None:
            usual = shown_figure(conditions.event.duration_s, "s")
            yield f"The event is taken to have lasted {usual} (common practice)."
        if event.prospective_current_a is None:
            yield _usual_source("the event", conditions.event.kind, conditions.event.source_ohm)
    if file.service.prospective_current_a is None:
        yield _usual_source("service", conditions.service.kind, conditions.service.source_ohm)


def _about_path(conditions: Conditions) -> Iterator[str]:
    if conditions.bulk_f is None:
        yield "No bulk capacitance is known: inrush is left out."
    elif conditions.first(LimiterPart) is None:
        yield "No inrush limiter is named: inrush is limited by the supply and the choke alone."
    if conditions.rectified and not any(part.kind == "bridge" for part in conditions.file.parts):
        yield "No bridge is named: one is taken to stand before the bulk capacitor."
    if conditions.event is not None and conditions.first(VaristorPart) is not None:
        yield "Parts behind the varistor are held against the full line: it may have failed first."


def _usual_source(what: str, kind: str, source_ohm: float) -> str:
    ohm = shown_figure(source_ohm, "ohm")
    source = "IEC 60725, from memory" if kind == "ac" else "common practice"
    return f"The supply at {what} is taken to have {ohm} ({source})."


def open_points(
    parts: Iterable[PartAssessment], replacements: Iterable[Replacement]
) -> Iterator[str]:
    """Yield what is still to be done: suspects in place, replacements that will not do."""
    for part in parts:
        if part.severity.suspect and not part.replaced:
            yield f"{part.name}: {part.severity}, and not replaced: settle it by its cold check."
    for fitted in replacements:
        if fitted.adequacy is Adequacy.UNACCEPTABLE:
            yield f"{fitted.name}: the part fitted is not acceptable: replace it before power."
    for part in parts:
        for stress in part.stresses:
            if (stress.service_ratio or 0.0) > 1.0:
                past = f"its {stress.quantity} is past its rating in normal service too"
                yield f"{part.name}: {past}."


def cautions(conditions: Conditions) -> tuple[str, ...]:
    """Return the usual cautions for work on the opened unit, the gravest first."""
    stored_v = conditions.stored_v
    stored = f"up to {shown_figure(stored_v, 'V')}"
    if conditions.bulk_f is not None:
        energy_j = capacitor_energy_j(conditions.bulk_f, stored_v)
        stored += f" and {format_quantity(energy_j, 'J', 2)}"
    hazard = (
        "Mains and stored charge can kill. Work on opened equipment only if you are trained for "
        "it, and never alone."
        if conditions.file.unit.input.kind == "ac"
        else "Low voltage is no promise: stored charge can burn, weld a tool and start a fire."
    )
    return (
        hazard,
        f"Unplug first. The bulk capacitor may hold {stored}: discharge it. {_MEASURE}",
        _FIRST_POWER,
        _BOUNDS,
    )
