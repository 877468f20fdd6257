"""An AC unit on a DC supply: its bridge either way round. See the netlists for the figures."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.faults import FAULTS
from harness.rehearse.unit_model import typical_model
from harness.unit.nameplate import Unit


def charged(
    unit: Unit, fault: str = "", *, backwards: bool = False, volts: float = 30.0
) -> Circuit:
    """A unit after a second on a supply of 30 V and 0.1 A."""
    model = replace(typical_model(unit), feed="dc")
    circuit = circuit_of(FAULTS[fault].apply(model) if fault else model, DC_SUPPLY)
    circuit.turn_leads(backwards=backwards)
    circuit.set_source(voltage_v=volts, current_limit_a=0.1, on=True)
    circuit.advance_to(1.0)
    return circuit


class TestBridge:
    @pytest.mark.parametrize("backwards", [False, True])
    def test_charges_either_way_round(self, unit_b: Unit, *, backwards: bool) -> None:
        """The capacitor stands two diodes below the supply, whichever way the leads are."""
        circuit = charged(unit_b, backwards=backwards)

        assert 28.0 < circuit.bulk_v < 29.5
        assert circuit.source_current_a() < 1e-3

    def test_open_diode_shows_one_way_round(self, unit_b: Unit) -> None:
        """Nothing comes through an open diode, and the other pair does not mind."""
        assert charged(unit_b, "open-rectifier-diode", backwards=True).bulk_v == 0.0
        assert charged(unit_b, "open-rectifier-diode").bulk_v > 28.0

    def test_shorted_diode_is_a_short_one_way_round(self, unit_b: Unit) -> None:
        """The supply meets it through a sound diode, and stays in its limit."""
        wrong = charged(unit_b, "shorted-bridge-diode", backwards=True)

        assert wrong.source_limiting()
        assert wrong.source_voltage_v() < 1.5
        assert wrong.let_through.charge_c > 0.05
        assert charged(unit_b, "shorted-bridge-diode").bulk_v > 28.5

    def test_converter_sleeps_below_its_threshold(self, unit_b: Unit) -> None:
        """At 60 V nothing runs; at the peak of its line it works as on AC."""
        asleep, awake = charged(unit_b, volts=60.0), charged(unit_b, volts=169.7)

        assert asleep.output_voltage_v() == 0.0
        assert awake.output_voltage_v() == pytest.approx(24.0, rel=0.01)

    def test_only_a_unit_that_is_fed_so(self, unit_b: Unit) -> None:
        """A unit is not put on another supply than it is said to be fed with."""
        model = typical_model(unit_b)
        with pytest.raises(ValueError, match="a unit fed with ac on a dc source"):
            circuit_of(model, DC_SUPPLY)
        with pytest.raises(ValueError, match="a unit fed with dc on a ac source"):
            circuit_of(replace(model, feed="dc"), AC_SOURCE)

    def test_no_drop_without_a_path(self, unit_b: Unit) -> None:
        """An open fuse leaves the capacitor empty."""
        circuit = charged(unit_b, "open-fuse")

        assert circuit.bulk_v == 0.0
        assert math.isclose(circuit.source_voltage_v(), 30.0, rel_tol=1e-3)
