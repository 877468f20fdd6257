"""A unit file to begin with, and a way to change it."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from harness.unit.assessment import Assessment, PartAssessment, Stress
from harness.unit.unit_file import UnitFile

#: A 120 V unit that met 230 V: every kind of part of an AC input.
AC_UNIT: dict[str, Any] = {
    "title": "Dome-shutter power unit",
    "serial": "HRW-0007",
    "unit": {
        "protection_class": "II",
        "input": {
            "kind": "ac",
            "nominal": "120 V",
            "tolerance": "10 %",
            "frequency": ["60 Hz", "50 Hz"],
            "current": "1.2 A",
            "bulk_capacitance": "150 uF",
            "start_threshold": "55 V",
        },
        "output": {"main": {"kind": "dc", "nominal": "24 V", "current": "2.5 A"}},
    },
    "event": {
        "kind": "ac",
        "voltage": "230 V",
        "voltage_tolerance": "0 %",
        "duration": "5 s",
        "opened": "fuse",
        "prospective_current": "400 A",
    },
    "service": {"prospective_current": "30 A", "temperature": "60 degC"},
    "parts": {
        "F1": {
            "kind": "fuse",
            "current": "2 A",
            "characteristic": "T",
            "breaking": "L",
            "voltage": "250 V",
            "melting_i2t": "60 A2s",
        },
        "NTC1": {"kind": "inrush-limiter", "resistance": "5 ohm", "current": "3 A"},
        "VR1": {
            "kind": "varistor",
            "maximum_ac": "150 V",
            "clamping_current": "50 A",
            "surge_current": "4500 A",
            "energy": "46 J",
        },
        "CX1": {
            "kind": "x-capacitor",
            "capacitance": "220 nF",
            "voltage": "275 V",
            "class": "X2",
            "bleeder": "1 Mohm",
        },
        "L1": {"kind": "common-mode-choke", "current": "2 A", "resistance": "0.3 ohm"},
        "CY1": {
            "kind": "y-capacitor",
            "capacitance": "2.2 nF",
            "voltage": "250 V",
            "class": "Y2",
        },
        "BR1": {
            "kind": "bridge",
            "reverse_voltage": "600 V",
            "current": "4 A",
            "surge_current": "150 A",
        },
        "C1": {
            "kind": "bulk-capacitor",
            "capacitance": "150 uF",
            "voltage": "200 V",
            "temperature": "105 degC",
            "ripple_current": "1.3 A",
        },
        "Q1": {
            "kind": "switch",
            "voltage": "600 V",
            "current": "7 A",
            "reflected_voltage": "100 V",
            "spike_allowance": "60 V",
        },
        "D5": {"kind": "output-diode", "reverse_voltage": "200 V", "current": "10 A"},
        "C8": {
            "kind": "output-capacitor",
            "capacitance": "1000 uF",
            "voltage": "35 V",
            "temperature": "105 degC",
            "ripple_current": "2.2 A",
        },
    },
}

#: A 24 V board without anything against wrong polarity.
DC_UNIT: dict[str, Any] = {
    "title": "Mount controller board",
    "serial": "HRW-0012",
    "unit": {
        "protection_class": "III",
        "input": {"kind": "dc", "nominal": "24 V", "tolerance": "10 %", "current": "1.2 A"},
        "output": {"main": {"kind": "dc", "nominal": "5 V", "current": "2 A"}},
    },
    "event": {
        "kind": "dc",
        "voltage": "24 V",
        "voltage_tolerance": "0 %",
        "duration": "2 s",
        "prospective_current": "30 A",
    },
    "service": {"prospective_current": "30 A"},
    "parts": {
        "F1": {"kind": "fuse", "current": "2 A", "characteristic": "F", "voltage": "125 V"},
        "C1": {"kind": "bulk-capacitor", "capacitance": "470 uF", "voltage": "35 V"},
        "Q1": {"kind": "switch", "voltage": "60 V", "spike_allowance": "5 V"},
    },
}


def part(found: Assessment, name: str) -> PartAssessment:
    """Return the assessment of one part."""
    return next(part for part in found.parts if part.name == name)


def stress(found: Assessment, name: str, quantity: str) -> Stress:
    """Return one stress of one part."""
    return next(row for row in part(found, name).stresses if row.quantity == quantity)


#: Changes by dotted path; None takes a key out.
Changes = dict[str, Any]
UnitOf = Callable[[Changes], UnitFile]


def changed(table: dict[str, Any], changes: Changes) -> UnitFile:
    """Return a unit file with parts of it replaced, added or taken out."""
    content = copy.deepcopy(table)
    for path, value in changes.items():
        *above, last = path.split(".")
        place = content
        for key in above:
            place = place.setdefault(key, {})
        if value is None:
            place.pop(last)
        else:
            place[last] = copy.deepcopy(value)
    content["parts"] = [{"name": name, **part} for name, part in content["parts"].items()]
    return UnitFile.model_validate(content)


@pytest.fixture(scope="session")
def ac_unit() -> UnitOf:
    """Return a function that makes the 120 V unit with changes."""
    return lambda changes: changed(AC_UNIT, changes)


@pytest.fixture(scope="session")
def dc_unit() -> UnitOf:
    """Return a function that makes the 24 V board with changes."""
    return lambda changes: changed(DC_UNIT, changes)
