"""A unit with a boost stage on an AC line."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.rehearse.circuit import AC_SOURCE, AcCircuit
from harness.rehearse.faults import FAULTS
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.unit.formulas import boosted_valley_v, hold_up_s
from harness.unit.nameplate import Unit
from tests.rehearse.circuit.line_period import bulk_swing_v

UNIT = Unit.model_validate(
    {
        "input": {
            "kind": "ac",
            "nominal": "100 V to 240 V",
            "tolerance": "10 %",
            "frequency": ["50 Hz", "60 Hz"],
            "current": "2.6 A",
            "bulk_capacitance": "150 uF",
            "idle_power": "5 W",
            "start_threshold": "80 V",
            "boosted_voltage": "390 V",
        },
        "output": {"main": {"kind": "dc", "nominal": "24 V", "current": "8.3 A"}},
        "protection_class": "I",
    }
)


def on_line(
    voltage_v: float, *, load_a: float = 0.0, hz: float = 50.0, model: UnitModel | None = None
) -> AcCircuit:
    """Return a unit that was started without load and has come to rest with its load."""
    circuit = AcCircuit(model or typical_model(UNIT), AC_SOURCE)
    circuit.set_source(voltage_v=voltage_v, current_limit_a=10.0, frequency_hz=hz, on=True)
    circuit.advance_to(1.0)
    circuit.set_load(on=load_a > 0.0, mode="current", value=load_a)
    circuit.advance_to(2.5)
    return circuit


def power_factor(circuit: AcCircuit) -> float:
    volt_amperes = circuit.source_voltage_v(0.1) * circuit.source_current_a(0.1)
    return circuit.source_power_w(0.1) / volt_amperes


class TestAtRest:
    """It holds the bulk capacitor at its voltage and draws like a resistor."""

    @pytest.mark.parametrize(("voltage_v", "hz"), [(90.0, 50.0), (120.0, 60.0), (264.0, 60.0)])
    def test_fully_loaded(self, voltage_v: float, hz: float) -> None:
        """On every line the bulk voltage is 390 V, the power factor above 0.99."""
        circuit = on_line(voltage_v, load_a=8.3, hz=hz)
        assert circuit.bulk_v == pytest.approx(390.0, rel=2e-3)
        assert power_factor(circuit) > 0.99

    def test_its_ripple_is_that_of_the_textbook(self) -> None:
        """Energy swings by P / 2w about its mean: see ``boosted_valley_v``."""
        circuit = on_line(230.0, load_a=8.3)
        converter = circuit.model.converter
        power_w = converter.input_power_w(converter.output_nominal_w)
        valley_v = boosted_valley_v(390.0, 50.0, 150e-6, power_w)
        assert bulk_swing_v(circuit) == pytest.approx(2.0 * (390.0 - valley_v), rel=0.02)

    def test_without_load_its_filter_shows(self) -> None:
        """At high line the filter's current is most of what flows: the power factor is low."""
        assert power_factor(on_line(264.0)) < 0.5

    def test_a_periodic_line_passes_quickly_and_as_if_stepped(self) -> None:
        """Half-cycles that repeat are counted, not carried out, and give the same."""
        circuit = on_line(230.0, load_a=8.3)
        before_w = circuit.source_power_w(0.1)
        circuit.advance_to(circuit.time_s + 60.0)
        assert circuit._repeats
        assert circuit.source_power_w(0.1) == pytest.approx(before_w, rel=1e-3)


class TestStart:
    """It lifts the bulk capacitor once the line has stood above its threshold for a while."""

    def test_below_the_threshold_the_capacitor_follows_the_peak(self) -> None:
        """At 70 V nothing boosts."""
        circuit = on_line(70.0)
        assert circuit.bulk_v == pytest.approx(70.0 * 2**0.5, abs=2.5)

    def test_it_takes_the_energy_between_the_voltages(self) -> None:
        """From the peak of 100 V to 390 V and its losses; nothing beyond 4 % of overshoot.

        Source: E = C (V1^2 - V0^2) / 2, textbook.
        """
        model = typical_model(UNIT)
        model = replace(model, converter=replace(model.converter, starts=False))
        circuit = AcCircuit(model, AC_SOURCE)
        circuit.set_source(voltage_v=100.0, current_limit_a=10.0, frequency_hz=50.0, on=True)
        circuit.advance_to(0.09)
        energy_j, highest_v = 0.0, 0.0
        for number in range(1, 60):
            circuit.advance_to(0.09 + 0.01 * number)
            energy_j += 0.01 * circuit.source_power_w(0.01)
            highest_v = max(highest_v, circuit.bulk_v)
        stored_j = 0.5 * 150e-6 * (highest_v**2 - 139.7**2)
        assert 390.0 < highest_v < 1.05 * 390.0
        assert 1.03 * stored_j < energy_j < 1.15 * stored_j

    def test_a_line_that_goes_low_stops_it(self) -> None:
        """Below its stop threshold the capacitor empties until the converter stops, too."""
        circuit = on_line(100.0, load_a=4.0)
        circuit.set_source(voltage_v=60.0)
        circuit.advance_to(circuit.time_s + 0.5)
        assert circuit.bulk_v < circuit.model.converter.stop_v


class TestHoldUp:
    """Without a line the bulk capacitor carries the load from the boosted voltage down."""

    def test_the_output_stands_for_as_long_as_the_energy_lasts(self) -> None:
        """Time from switching off to a dead output is that of the textbook, within 3 %."""
        circuit = on_line(100.0, load_a=8.3)
        converter = circuit.model.converter
        off_s = circuit.time_s
        circuit.set_source(on=False)
        power_w = converter.input_power_w(converter.output_v * 8.3)
        lasts_s = hold_up_s(150e-6, circuit.bulk_v, converter.stop_v, power_w)
        circuit.advance_to(off_s + 0.97 * lasts_s)
        assert circuit.converter.output_v > 23.0
        circuit.advance_to(off_s + 1.03 * lasts_s)
        assert circuit.converter.output_v < 23.0


class TestDead:
    """A stage that never runs leaves a rectifier with its capacitor."""

    def test_the_capacitor_stays_at_the_peak_and_the_power_factor_is_low(self) -> None:
        """At 230 V the unit works all the same, with a power factor below 0.7."""
        dead = FAULTS["boost-stage-dead"].apply(typical_model(UNIT))
        circuit = on_line(230.0, load_a=8.3, model=dead)
        assert circuit.bulk_v < 230.0 * 2**0.5
        assert circuit.converter.output_v == pytest.approx(24.0, rel=0.01)
        assert power_factor(circuit) < 0.7

    def test_only_a_unit_with_a_boost_stage_has_it(self) -> None:
        """A unit without one refuses the fault, and one with it those of a bare rectifier."""
        plain = UNIT.model_copy(update={"input": UNIT.input.model_copy(update={"boosted_v": None})})
        with pytest.raises(ValueError, match="boost-stage-dead does not apply"):
            FAULTS["boost-stage-dead"].apply(typical_model(plain))
        with pytest.raises(ValueError, match="and a boost stage"):
            FAULTS["gives-in-at-low-line"].apply(typical_model(UNIT))


class TestBesideOtherFaults:
    """What else may be wrong does not upset it."""

    @pytest.mark.parametrize(
        "name", ["shorted-switch", "shorted-input", "open-rectifier-diode", "shorted-bridge-diode"]
    )
    def test_a_shorted_or_open_part(self, name: str) -> None:
        """The circuit stays finite; a short keeps the stage off."""
        circuit = on_line(100.0, model=FAULTS[name].apply(typical_model(UNIT)))
        assert circuit.bulk_v < 430.0
        assert circuit.source_power_w() >= 0.0
        if name != "open-rectifier-diode":
            assert circuit.bulk_v < 142.0
