"""Figures of the unit that its nameplate states and a start or a discharge measures."""

from __future__ import annotations

from collections.abc import Mapping

from harness.unit.nameplate import Input

#: Field of the input that states a figure, by measure.
_STATED_BY = {
    "start.bulk_capacitance": "bulk_capacitance_f",
    "start.begin_voltage": "threshold",
    "discharge.bulk_capacitance": "bulk_capacitance_f",
}


def nameplate_figures(line: Input) -> Mapping[str, float]:
    """Return what the nameplate states, in SI by measure; what is only assumed is left out."""
    stated = {measure: getattr(line, name) for measure, name in _STATED_BY.items()}
    return {measure: value for measure, value in stated.items() if value is not None}
