"""The over-stress assessment: from a unit file to suspicion, cold checks and replacements."""

from __future__ import annotations

from collections.abc import Iterator

from harness.unit.assessment import Assessment, ColdCheck, PartAssessment
from harness.unit.capacitors import BulkCapacitor, OutputCapacitor, XCapacitor, YCapacitor
from harness.unit.fuse import Fuse
from harness.unit.line_parts import Choke, Limiter, Varistor
from harness.unit.operating_conditions import Conditions, operating_conditions
from harness.unit.parts import XCapacitorPart, shown_figure
from harness.unit.ratings import Kind, Short
from harness.unit.reference import Reference, reference
from harness.unit.semiconductors import Bridge, Diode, OutputDiode, Switch
from harness.unit.story import assumptions, cautions, open_points, story
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
    """Work out which parts were over-stressed, what to measure, what replacements are worth."""
    conditions = operating_conditions(unit_file, tables or reference())
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
    return Assessment(
        title=unit_file.title,
        serial=unit_file.serial,
        maker=unit_file.maker,
        story=story(conditions),
        parts=tuple(parts),
        checks=tuple(_checks(conditions, parts)),
        replacements=tuple(replacements),
        open_points=tuple(open_points(parts, replacements)),
        assumptions=tuple(assumptions(conditions)),
        cautions=cautions(conditions),
    )


def _stressed(conditions: Conditions) -> Iterator[Kind]:
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
    along = sorted(parts, key=lambda part: (not part.severity.suspect, _PLACE[part.kind]))
    yield from (part.check for part in along)
    yield _input_check(conditions)


def _input_check(conditions: Conditions) -> ColdCheck:
    """Return the last check: resistance at the input terminals, fuse whole, switch closed."""
    measure = "resistance at the input terminals, both polarities, with a whole fuse in"
    if conditions.has_diode("across"):  # it conducts one way by design
        expected = "a diode's drop with the polarity reversed, no short the right way round"
        return ColdCheck(measure=measure, expected=expected)
    bleeder = next((part.bleeder_ohm for part in conditions.parts_of(XCapacitorPart)), None)
    settles = f"about {shown_figure(bleeder, 'ohm')}" if bleeder else "a steady figure"
    least_ohm = _LEAST_INPUT_OHM[conditions.file.unit.input.kind]
    expected = f"rises to {settles}, above {shown_figure(least_ohm, 'ohm')} both ways"
    return ColdCheck(measure=measure, expected=expected, low=least_ohm, unit="ohm")
