"""The over-stress assessment: from a unit file to suspicion, cold checks and replacements."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from harness.unit.adequacy import replacements_of
from harness.unit.assessment import Assessment, ColdCheck, PartAssessment, Severity
from harness.unit.bulk_stress import (
    bridge_stress,
    bulk_stress,
    diode_stress,
    output_capacitor_stress,
    output_diode_stress,
    switch_stress,
)
from harness.unit.cold_check import cold_check, first_checks, input_check
from harness.unit.fuse_stress import fuse_stress
from harness.unit.line_stress import (
    choke_stress,
    limiter_stress,
    x_capacitor_stress,
    y_capacitor_stress,
)
from harness.unit.operating_conditions import OperatingConditions, event_line, service_line
from harness.unit.parts import KINDS
from harness.unit.reference import Reference, reference
from harness.unit.story import assumptions, cautions, open_points, story
from harness.unit.stress import Short, Treated, sentence, worst_first
from harness.unit.unit_file import UnitFile
from harness.unit.varistor_stress import varistor_stress

__all__ = ["assess"]

_STRESSES: dict[str, Callable[[OperatingConditions, Any, tuple[Short, ...]], Treated]] = {
    "fuse": fuse_stress,
    "inrush-limiter": limiter_stress,
    "varistor": varistor_stress,
    "x-capacitor": x_capacitor_stress,
    "common-mode-choke": choke_stress,
    "y-capacitor": y_capacitor_stress,
    "diode": diode_stress,
    "bridge": bridge_stress,
    "bulk-capacitor": bulk_stress,
    "switch": switch_stress,
    "output-diode": output_diode_stress,
    "output-capacitor": output_capacitor_stress,
}

#: Kinds that put a short across the line when they are destroyed.
_SHORTS = frozenset({"varistor", "x-capacitor", "diode", "bridge", "bulk-capacitor", "switch"})


def assess(unit_file: UnitFile, tables: Reference | None = None) -> Assessment:
    """Work out which parts were over-stressed, what to measure, and what replacements are worth.

    Args:
        unit_file: Nameplate, event and parts.
        tables: Reference tables, or None for those that come with the harness.
    """
    tables = tables or reference()
    conditions = OperatingConditions(
        file=unit_file,
        tables=tables,
        event=event_line(unit_file, tables),
        service=service_line(unit_file, tables),
    )
    parts = tuple(sorted(_treated_parts(conditions), key=_suspicion))
    replacements = replacements_of(conditions)
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


def _place(kind: str) -> int:
    return KINDS.index(kind)


def _suspicion(part: PartAssessment) -> tuple[int, float, int]:
    return (-part.severity.rank, -part.ratio, _place(part.kind))


def _treated_parts(conditions: OperatingConditions) -> Iterator[PartAssessment]:
    """Assess the parts from the outputs back to the terminals: each knows the shorts behind it."""
    shorts: tuple[Short, ...] = ()
    for part in sorted(conditions.file.parts, key=lambda part: -_place(part.kind)):
        treated = _STRESSES[part.kind](conditions, part, shorts)
        after_s = _shorted_after_s(part.kind, treated)
        if after_s is not None and conditions.event is not None:
            shorts = (*shorts, Short(name=part.name, kind=part.kind, after_s=after_s))
        yield _in_words(conditions, part, treated)


def _shorted_after_s(kind: str, treated: Treated) -> float | None:
    """Return when a part begins to carry a short; a destroyed one with no time given, at once."""
    if treated.shorted_after_s is not None or kind == "varistor":
        return treated.shorted_after_s
    return 0.0 if kind in _SHORTS and treated.severity is Severity.DESTROYED else None


def _in_words(conditions: OperatingConditions, part: Any, treated: Treated) -> PartAssessment:
    stresses = worst_first(treated.stresses)
    return PartAssessment(
        name=part.name,
        kind=part.kind,
        severity=treated.severity,
        stresses=stresses,
        reason=sentence(stresses[0]),
        remarks=treated.remarks,
        check=cold_check(conditions, part, suspect=treated.severity.suspect),
        replaced=part.replaced or part.fitted is not None,
    )


def _in_order_of_doing(
    conditions: OperatingConditions, parts: tuple[PartAssessment, ...]
) -> tuple[ColdCheck, ...]:
    """Sort the checks: stored charge, a look, the suspects along the path, the rest, the input."""
    along = sorted(parts, key=lambda part: (not part.severity.suspect, _place(part.kind)))
    return (*first_checks(conditions), *(part.check for part in along), input_check(conditions))
