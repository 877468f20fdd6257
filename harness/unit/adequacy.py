"""Replacement adequacy: the original against the fitted part, kind by kind."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from harness.unit.adequacy_line import (
    choke_findings,
    fuse_findings,
    limiter_findings,
    varistor_findings,
    x_capacitor_findings,
    y_capacitor_findings,
)
from harness.unit.adequacy_power import (
    bridge_findings,
    bulk_findings,
    diode_findings,
    output_capacitor_findings,
    output_diode_findings,
    switch_findings,
)
from harness.unit.adequacy_rules import overall, worst_finding_first
from harness.unit.assessment import Finding, Replacement
from harness.unit.operating_conditions import OperatingConditions
from harness.unit.parts import KINDS

__all__ = ["replacements_of"]

_FINDINGS: dict[str, Callable[[OperatingConditions, Any, Any], Iterator[Finding]]] = {
    "fuse": fuse_findings,
    "inrush-limiter": limiter_findings,
    "varistor": varistor_findings,
    "x-capacitor": x_capacitor_findings,
    "common-mode-choke": choke_findings,
    "y-capacitor": y_capacitor_findings,
    "diode": diode_findings,
    "bridge": bridge_findings,
    "bulk-capacitor": bulk_findings,
    "switch": switch_findings,
    "output-diode": output_diode_findings,
    "output-capacitor": output_capacitor_findings,
}


def replacements_of(conditions: OperatingConditions) -> tuple[Replacement, ...]:
    """Return every replaced part with its verdict, the worst first, then along the path.

    A part that was replaced without a word on the new one counts as replaced by its like: then the
    original's own figures are held against what service needs.
    """
    found = [
        _replacement(conditions, part)
        for part in conditions.file.parts
        if part.replaced or part.fitted is not None
    ]
    return tuple(sorted(found, key=lambda part: (part.adequacy.rank, KINDS.index(part.kind))))


def _replacement(conditions: OperatingConditions, part: Any) -> Replacement:
    fitted = part if part.fitted is None else part.fitted
    findings = worst_finding_first(_FINDINGS[part.kind](conditions, part, fitted))
    return Replacement(
        name=part.name, kind=part.kind, adequacy=overall(findings), findings=findings
    )
