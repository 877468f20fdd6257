"""The over-stress assessment: from a unit file to suspicion, cold checks and replacements."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from harness.unit.assessment import (
    Adequacy,
    Assessment,
    ColdCheck,
    Finding,
    PartAssessment,
    Replacement,
    Severity,
    Stress,
)
from harness.unit.electrolytics import BulkCapacitor, OutputCapacitor
from harness.unit.fuse import Fuse
from harness.unit.line_parts import Choke, Limiter, Varistor
from harness.unit.operating_conditions import Conditions, operating_conditions
from harness.unit.parts import XCapacitorPart, shown_figure
from harness.unit.ratings import Kind, PartStress, Short
from harness.unit.reference import Reference, reference
from harness.unit.semiconductors import Bridge, Diode, OutputDiode, Switch
from harness.unit.story import assumptions, cautions, open_points, story
from harness.unit.suppression_capacitors import XCapacitor, YCapacitor
from harness.unit.unit_file import UnitFile

#: Each kind of part, in the usual order of the current path, from the terminals on.
KINDS: dict[str, type[Kind]] = {
    "fuse": Fuse,
    "inrush-limiter": Limiter,
    "varistor": Varistor,
    "x-capacitor": XCapacitor,
    "common-mode-choke": Choke,
    "y-capacitor": YCapacitor,
    "diode": Diode,
    "bridge": Bridge,
    "bulk-capacitor": BulkCapacitor,
    "switch": Switch,
    "output-diode": OutputDiode,
    "output-capacitor": OutputCapacitor,
}
_PLACE = {kind: place for place, kind in enumerate(KINDS)}

#: Source: IEC 62368-1, ES1: 60 V DC (from memory).
_TOUCH_LIMIT_V = 60.0

#: Least resistance at the input terminals of a sound unit. Source: common practice.
_LEAST_INPUT_OHM = {"ac": 10e3, "dc": 100.0}


def assess(unit_file: UnitFile, tables: Reference | None = None) -> Assessment:
    """Work out which parts were over-stressed, what to measure, and what replacements are worth.

    Without ``tables``, those that come with the harness count.
    """
    conditions = operating_conditions(unit_file, tables or reference())
    parts = tuple(sorted(_assessed_parts(conditions), key=_suspicion))
    replacements = _replacements(conditions)
    return Assessment(
        title=unit_file.title,
        serial=unit_file.serial,
        maker=unit_file.maker,
        story=story(conditions),
        parts=parts,
        checks=_in_order_of_doing(conditions, parts),
        replacements=replacements,
        open_points=open_points(parts, replacements),
        assumptions=assumptions(conditions),
        cautions=cautions(conditions),
    )


# --- parts ----------------------------------------------------------------------------------


def _suspicion(part: PartAssessment) -> tuple[int, float, int]:
    return (-part.severity.rank, -part.ratio, _PLACE[part.kind])


def _assessed_parts(conditions: Conditions) -> Iterator[PartAssessment]:
    """Assess the parts from the outputs back to the terminals: each knows the shorts behind it."""
    shorts: tuple[Short, ...] = ()
    for part in sorted(conditions.file.parts, key=lambda part: -_PLACE[part.kind]):
        kind = KINDS[part.kind](conditions, part, shorts)
        found = kind.stress()
        after_s = found.shorted_after_s
        if after_s is None and kind.shorts_line and found.severity is Severity.DESTROYED:
            after_s = 0.0  # no time is known: at once
        if after_s is not None and conditions.event is not None:
            shorts = (*shorts, Short(name=part.name, kind=part.kind, after_s=after_s))
        yield _in_words(kind, found)


def _in_words(kind: Kind, found: PartStress) -> PartAssessment:
    part, suspect = kind.part, found.severity.suspect
    stresses = tuple(sorted(found.stresses, key=lambda one: (-one.severity.rank, -one.ratio)))
    check = kind.check()
    expected = check.expected + (kind.if_suspect if suspect else "")
    return PartAssessment(
        name=part.name,
        kind=part.kind,
        severity=found.severity,
        stresses=stresses,
        reason=_sentence(stresses[0]),
        remarks=found.remarks,
        check=replace(check, expected=expected, suspect=suspect),
        replaced=part.replaced or part.fitted is not None,
    )


def _sentence(stress: Stress) -> str:
    """Say a stress in words: figure, rating, ratio."""
    at_event = (stress.event_ratio or 0.0) >= (stress.service_ratio or 0.0)
    value = stress.event if at_event else stress.service
    when = "at the event" if at_event and stress.event is not None else "in service"
    figure = shown_figure(value or 0.0, stress.unit)
    return f"{stress.quantity} {figure} {when}, rated {shown_figure(stress.rating, stress.unit)}"


# --- replacements ---------------------------------------------------------------------------


def _replacements(conditions: Conditions) -> tuple[Replacement, ...]:
    """Return every replaced part with its verdict, the worst first, then along the path.

    A part that was replaced without a word on the new one counts as replaced by its like: then the
    original's own figures are held against what service needs.
    """
    found = []
    for part in conditions.file.parts:
        if part.replaced or part.fitted is not None:
            judged = KINDS[part.kind](conditions, part).findings(part.fitted or part)
            findings = tuple(sorted(judged, key=lambda finding: finding.adequacy.rank))
            verdict = _overall(findings)
            found.append(
                Replacement(name=part.name, kind=part.kind, adequacy=verdict, findings=findings)
            )
    return tuple(sorted(found, key=lambda part: (part.adequacy.rank, _PLACE[part.kind])))


def _overall(findings: Iterable[Finding]) -> Adequacy:
    """Return the verdict on all findings: the worst, and better only where nothing is worse."""
    found = {finding.adequacy for finding in findings}
    for adequacy in (Adequacy.UNACCEPTABLE, Adequacy.NOTE, Adequacy.BETTER):
        if adequacy in found:
            return adequacy
    return Adequacy.EQUIVALENT


# --- cold checks ----------------------------------------------------------------------------


def _in_order_of_doing(
    conditions: Conditions, parts: tuple[PartAssessment, ...]
) -> tuple[ColdCheck, ...]:
    """Sort the checks: stored charge, a look, the suspects along the path, the rest, the input."""
    along = sorted(parts, key=lambda part: (not part.severity.suspect, _PLACE[part.kind]))
    return (*_first_checks(conditions), *(part.check for part in along), _input_check(conditions))


def _first_checks(conditions: Conditions) -> tuple[ColdCheck, ColdCheck]:
    """Return what comes before any part: stored voltage, then a look."""
    limit, stored = shown_figure(_TOUCH_LIMIT_V, "V"), shown_figure(conditions.stored_v, "V")
    return (
        ColdCheck(
            part="",
            measure="DC voltage across the bulk capacitor, unplugged, before anything is touched",
            expected=f"below {limit}; it may hold {stored}: discharge through a resistor, then "
            "measure again",
            high=_TOUCH_LIMIT_V,
            unit="V",
            suspect=True,
        ),
        ColdCheck(
            part="",
            measure="look at board, parts and holders; smell",
            expected="no crack, soot, bulge, leak or brown board",
            suspect=True,
        ),
    )


def _input_check(conditions: Conditions) -> ColdCheck:
    """Return the last check: resistance at the input terminals, fuse whole, switch closed."""
    measure = "resistance at the input terminals, both polarities, with a whole fuse in"
    if conditions.has_diode("across"):  # it conducts one way by design
        expected = "a diode's drop with the polarity reversed, no short the right way round"
        return ColdCheck(part="", measure=measure, expected=expected)
    bleeder = next((part.bleeder_ohm for part in conditions.parts_of(XCapacitorPart)), None)
    settles = f"about {shown_figure(bleeder, 'ohm')}" if bleeder else "a steady figure"
    least_ohm = _LEAST_INPUT_OHM[conditions.file.unit.input.kind]
    expected = f"rises to {settles}, above {shown_figure(least_ohm, 'ohm')} both ways"
    return ColdCheck(part="", measure=measure, expected=expected, low=least_ohm, unit="ohm")
