"""The over-stress assessment: from a unit file to suspicion, cold checks and replacements.

Its last part has the words around the figures: story, assumptions, open points, cautions.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from harness.quantity import format_quantity
from harness.unit.assessment import Adequacy, Assessment, ColdCheck, PartAssessment, Replacement
from harness.unit.capacitors import XCapacitor, YCapacitor
from harness.unit.electrolytics import BulkCapacitor, OutputCapacitor
from harness.unit.formulas import capacitor_energy_j
from harness.unit.fuse import Fuse
from harness.unit.line_parts import Choke, Limiter, Varistor
from harness.unit.low_line import low_line_current_a, low_line_v
from harness.unit.observations import checks_of_signs, seen, unexplained
from harness.unit.operating_conditions import Conditions, Line, operating_conditions
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import FusePart, LimiterPart, VaristorPart
from harness.unit.prevention import prevention
from harness.unit.protection import Connector, PolymerFuse, Relay, Suppressor
from harness.unit.ratings import Kind, Short
from harness.unit.semiconductors import Bridge, Diode, OutputDiode, Regulator, Switch
from harness.unit.transformer import Transformer
from harness.unit.unit_file import Event, UnitFile

#: Each kind of part, in the usual order of the current path, from the terminals on.
KINDS: dict[str, type[Kind[Any]]] = {
    "connector": Connector,
    "fuse": Fuse,
    "polymer-fuse": PolymerFuse,
    "relay": Relay,
    "inrush-limiter": Limiter,
    "varistor": Varistor,
    "suppressor": Suppressor,
    "x-capacitor": XCapacitor,
    "common-mode-choke": Choke,
    "y-capacitor": YCapacitor,
    "diode": Diode,
    "bridge": Bridge,
    "bulk-capacitor": BulkCapacitor,
    "regulator": Regulator,
    "transformer": Transformer,
    "switch": Switch,
    "output-diode": OutputDiode,
    "output-capacitor": OutputCapacitor,
}
_PLACE = {kind: place for place, kind in enumerate(KINDS)}

#: Source: IEC 62368-1, ES1: 60 V DC (from memory).
_TOUCH_LIMIT_V = 60.0

#: Least resistance at the input terminals of a sound unit. Source: common practice.
_LEAST_INPUT_OHM = {"ac": 10e3, "dc": 100.0}

#: What opened at the event.
_OPENED = {
    "fuse": "the unit's fuse opened",
    "breaker": "a breaker opened",
    "nothing": "nothing opened",
    "unknown": "what opened is not known",
}


def assess(unit_file: UnitFile) -> Assessment:
    """Work out which parts were over-stressed, what to measure, what replacements are worth."""
    conditions = operating_conditions(unit_file)
    kinds = tuple(_stressed(conditions))
    parts = sorted(
        (kind.assessment() for kind in kinds),
        key=lambda part: (-part.severity.rank, -part.worst.ratio, _PLACE[part.kind]),
    )
    # A part that was replaced without a word on the new one counts as replaced by its like: then
    # the original's own figures are held against what service needs.
    replacements = sorted(
        (kind.replacement() for kind in kinds if kind.replaced),
        key=lambda part: (part.adequacy.rank, _PLACE[part.kind]),
    )
    signs = seen(unit_file.observed, unit_file.observed_note)
    to_clear_up = (
        *unexplained(conditions, parts),
        *(point for kind in reversed(kinds) for point in kind.points),
    )
    return Assessment(
        title=unit_file.title,
        serial=unit_file.serial,
        maker=unit_file.maker,
        story=" ".join(filter(None, (_story(conditions), signs))),
        parts=tuple(parts),
        checks=tuple(_checks(conditions, parts)),
        replacements=tuple(replacements),
        open_points=(*_open_points(parts, replacements), *to_clear_up),
        to_clear_up=to_clear_up,
        assumptions=tuple(_assumptions(conditions)),
        cautions=tuple(_cautions(conditions)),
        prevention=tuple(prevention(unit_file)),
        hand_over=unit_file.hand_over.model_dump(),
    )


def _stressed(conditions: Conditions) -> Iterator[Kind[Any]]:
    """Yield the parts from the outputs back to the terminals: each knows the shorts behind it."""
    shorts: tuple[Short, ...] = ()
    for part in sorted(conditions.file.parts, key=lambda part: -_PLACE[part.kind]):
        kind = KINDS[part.kind](conditions, part, shorts)
        if kind.short is not None:
            shorts = (*shorts, kind.short)
        yield kind


def _checks(conditions: Conditions, parts: list[PartAssessment]) -> Iterator[ColdCheck]:
    """Yield the checks as they are done: stored charge, a look, suspects, the rest, the input."""
    limit, stored = shown_figure(_TOUCH_LIMIT_V, "V"), shown_figure(conditions.stored_v, "V")
    yield ColdCheck(
        measure="DC voltage across the bulk capacitor, unplugged, before anything is touched",
        expected=f"below {limit}; it may hold {stored}: discharge through a resistor, then "
        "measure again",
        high=_TOUCH_LIMIT_V,
        unit="V",
        suspect=True,
    )
    yield ColdCheck(
        measure="look at board, parts and holders; smell",
        expected="no crack, soot, bulge, leak or brown board",
        suspect=True,
    )
    yield from checks_of_signs(conditions, parts)
    along = sorted(parts, key=lambda part: (not part.severity.suspect, _PLACE[part.kind]))
    yield from (part.check for part in along)
    yield _input_check(conditions)


def _input_check(conditions: Conditions) -> ColdCheck:
    """Return the last check: resistance at the input terminals, fuse whole, switch closed."""
    measure = "resistance at the input terminals, both polarities, with a whole fuse in"
    if conditions.has_diode("across"):  # it conducts one way by design
        expected = "a diode's drop with the polarity reversed, no short the right way round"
        return ColdCheck(measure=measure, expected=expected)
    bleeder_ohm = conditions.bleeder_ohm
    settles = "a steady figure"
    if bleeder_ohm is not None:
        settles = f"about {shown_figure(bleeder_ohm, 'ohm')}"
    least_ohm = _LEAST_INPUT_OHM[conditions.file.unit.input.kind]
    expected = f"rises to {settles}, above {shown_figure(least_ohm, 'ohm')} both ways"
    return ColdCheck(measure=measure, expected=expected, low=least_ohm, unit="ohm")


# --- words ---------------------------------------------------------------------------------


def _story(conditions: Conditions) -> str:
    """Return what happened: voltage, kind, time, what opened, and the note of the file."""
    event, line = conditions.file.event, conditions.file.unit.input
    rated = f"{line.nominal} {line.kind.upper()}"
    if event is None:
        return f"Rated {rated}; nothing is known to have happened."
    kind = event.kind if event.kind == "surge" else event.kind.upper()
    applied = f"{shown_figure(event.voltage_v, 'V')} {kind}"
    if event.frequency_hz is not None:
        applied += f" {shown_figure(event.frequency_hz, 'Hz')}"
    if conditions.event is not None and conditions.event.tolerance_frac > 0.0:
        applied += f" (within {shown_figure(conditions.event.tolerance_frac, '%')})"
    if event.polarity_reversed:
        applied += ", polarity reversed,"
    time = " for an unknown time"
    if event.kind == "surge":
        time = ""
    elif event.duration_s is not None:
        time = f" for {shown_figure(event.duration_s, 's')}"
    text = f"{applied} on a {rated} unit{time}; {_OPENED[conditions.opened or event.opened]}."
    return text if event.note is None else f"{text} Note: {event.note.rstrip('.')}."


def _assumptions(conditions: Conditions) -> Iterator[str]:
    """Yield what was taken for granted where the file is silent."""
    told, event, cause = conditions.file.event, conditions.event, conditions.file.observed_cause
    if cause is not None:
        yield f"What was seen of the unit is explained by the workshop: {cause.rstrip('.')}."
    if told is not None and event is not None:
        yield from _about_event(conditions, told, event)
    if not conditions.service_supply_stated:
        yield _usual_source("service", conditions.service)
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


def _about_event(conditions: Conditions, told: Event, event: Line) -> Iterator[str]:
    yield from _about_voltage(told, event)
    if told.kind == "surge":
        yield (
            "The surge is taken as the wave of IEC 61000-4-5 (from memory): 8/20 us behind 2 ohm "
            "between the lines, the varistor holding it; what it left shorted is fed by the line "
            "in service."
        )
        return
    low_v, low_a = low_line_v(conditions), low_line_current_a(conditions)
    if low_v is not None and low_a is not None:
        yield (
            f"The line was too low: the converter takes the same power from it, so the input "
            f"current rises to {shown_figure(low_a, 'A')} at {shown_figure(low_v, 'V')}, the "
            "lowest it is taken to work at (common practice)."
        )
    if told.duration_s is None:
        long = shown_figure(event.duration_s, "s")
        yield f"How long the event lasted is not known: it is taken as long, {long}."
    if told.prospective_current_a is None:
        yield _usual_source("the event", event)


def _about_path(conditions: Conditions) -> Iterator[str]:
    if conditions.bulk_f is None:
        yield "No bulk capacitance is known: inrush is left out."
    elif conditions.first(LimiterPart) is None:
        yield "No inrush limiter is named: inrush is limited by the supply and the choke alone."
    if conditions.rectified and not any(part.kind == "bridge" for part in conditions.file.parts):
        yield "No bridge is named: one is taken to stand before the bulk capacitor."
    lasted = conditions.event is not None and conditions.event.kind != "surge"
    if lasted and conditions.first(VaristorPart) is not None:
        yield "Parts behind the varistor are held against the full line: it may have failed first."


def _usual_source(what: str, line: Line) -> str:
    ohm = shown_figure(line.source_ohm, "ohm")
    source = "IEC 60725, from memory" if line.kind == "ac" else "common practice"
    most, least = (
        shown_figure(current_a, "A")
        for current_a in (line.most_prospective_a, line.least_prospective_a)
    )
    return (
        f"What the supply at {what} gives into a short is not stated: taken high, {most}, for what "
        f"a fuse has to break, and low, {least}, for when it opens. For inrush it is taken to have "
        f"{ohm} ({source})."
    )


def _about_voltage(told: Event, event: Line) -> Iterator[str]:
    """Say within what the event's voltage is known, and which end counts."""
    if event.tolerance_frac == 0.0:
        return
    if told.voltage_tolerance_frac is not None:
        source = "as the unit file says"
    elif told.kind == "ac":
        source = "not measured: tolerance of a supply, EN 50160 and IEC 60038"
    elif told.kind == "surge":
        source = "level of the test of IEC 61000-4-5, from memory"
    else:
        source = "not measured: common practice"
    yield (
        f"The event's voltage is {shown_figure(told.voltage_v, 'V')} within "
        f"{shown_figure(event.tolerance_frac, '%')} ({source}); each "
        f"part is held against the worse end, {shown_figure(event.voltage_v, 'V')}."
    )


def _open_points(parts: list[PartAssessment], replacements: list[Replacement]) -> Iterator[str]:
    """Yield what is still to be done: suspects in place, replacements that will not do."""
    for part in parts:
        if part.broken and not part.replaced:
            seen_on_it = part.remarks[0].rstrip(".")
            yield f"{part.name}: {seen_on_it[0].lower()}{seen_on_it[1:]}: replace it before power."
        elif part.severity.suspect and not part.replaced:
            yield f"{part.name}: {part.severity}, and not replaced: settle it by its cold check."
    for fitted in replacements:
        if fitted.adequacy is Adequacy.UNACCEPTABLE:
            yield f"{fitted.name}: the part fitted is not acceptable: replace it before power."
    for part in parts:
        for stress in part.stresses:
            if (stress.service_ratio or 0.0) > 1.0:
                past = f"its {stress.quantity} is past its rating in normal service too"
                yield f"{part.name}: {past}."


def _cautions(conditions: Conditions) -> Iterator[str]:
    """Yield the usual cautions for work on the opened unit, the gravest first."""
    stored = f"up to {shown_figure(conditions.stored_v, 'V')}"
    if conditions.bulk_f is not None:
        energy_j = capacitor_energy_j(conditions.bulk_f, conditions.stored_v)
        stored += f" and {format_quantity(energy_j, 'J', 2)}"
    hazard = (
        "Mains and stored charge can kill. Work on opened equipment only if you are trained for "
        "it, and never alone."
        if conditions.file.unit.input.kind == "ac"
        else "Low voltage is no promise: stored charge can burn, weld a tool and start a fire."
    )
    yield hazard
    yield (
        f"Unplug first. The bulk capacitor may hold {stored}: discharge it. Use a resistor made "
        "for it, then measure, with a meter proved on a known voltage just before and after."
    )
    yield (
        "Eye protection on: parts that were over-stressed can burst later. First power isolated "
        "from the mains, through an RCD (GFCI), hands clear."
    )
    yield (
        "Figures here narrow down where to look. They prove nothing: the cold checks do. Local "
        "codes, the maker's instructions and licensed practice come first."
    )
