"""Both demo units of the invented workshop, healthy and on the simulated bench."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.unit.nameplate import Unit


@pytest.fixture(scope="session")
def unit_a() -> Unit:
    """Mount controller board: 24 V DC in, 5 V 2 A out."""
    return Unit.model_validate(
        {
            "input": {
                "kind": "dc",
                "nominal": "24 V",
                "tolerance": "10 %",
                "current": "1.2 A",
                "bulk_capacitance": "470 uF",
                "idle_power": "0.6 W",
            },
            "output": {"main": {"kind": "dc", "nominal": "5 V", "current": "2 A"}},
            "protection_class": "III",
        }
    )


@pytest.fixture(scope="session")
def unit_b() -> Unit:
    """Dome-shutter power unit: 120 V AC in, 24 V 2.5 A out."""
    return Unit.model_validate(
        {
            "input": {
                "kind": "ac",
                "nominal": "120 V",
                "tolerance": "10 %",
                "frequency": ["60 Hz", "50 Hz"],
                "current": "1.2 A",
                "bulk_capacitance": "150 uF",
                "idle_power": "2 W",
                "start_threshold": "55 V",
            },
            "output": {"main": {"kind": "dc", "nominal": "24 V", "current": "2.5 A"}},
            "protection_class": "II",
        }
    )


@pytest.fixture(scope="session")
def model_a(unit_a: Unit) -> UnitModel:
    """A healthy unit A."""
    return typical_model(unit_a)


@pytest.fixture(scope="session")
def model_b(unit_b: Unit) -> UnitModel:
    """A healthy unit B."""
    return typical_model(unit_b)


@pytest.fixture
def circuit_a(model_a: UnitModel) -> Circuit:
    """Unit A at its nominal voltage, started and at rest, limit as in its envelope."""
    circuit = circuit_of(model_a, DC_SUPPLY)
    circuit.set_source(voltage_v=24.0, current_limit_a=1.5, on=True)
    circuit.advance_to(1.0)
    return circuit


@pytest.fixture
def circuit_b(model_b: UnitModel) -> Circuit:
    """Unit B at its nominal voltage and 60 Hz, started and at rest, limit as in its envelope."""
    circuit = circuit_of(model_b, AC_SOURCE)
    circuit.set_source(voltage_v=120.0, current_limit_a=1.5, frequency_hz=60.0, on=True)
    circuit.advance_to(1.0)
    return circuit


@pytest.fixture
def still_a(model_a: UnitModel) -> UnitModel:
    """Unit A with a converter that stands still and a capacitor that does not leak: input only."""
    return replace(
        model_a,
        converter=replace(model_a.converter, starts=False),
        bulk=replace(model_a.bulk, leakage_ohm=1e12),
    )
