from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from harness.profile.load import load_profile
from harness.rehearse.charge_parts import Battery, typical_battery
from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.circuit.charger import Phase
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.unit.nameplate import Unit
from tests.unit.test_charger_output import NAMEPLATE, output

LINES: dict[str, dict[str, Any]] = {
    "ac": {
        "kind": "ac",
        "nominal": "100 V",
        "tolerance": "10 %",
        "frequency": ["50 Hz"],
        "current": "1 A",
        "bulk_capacitance": "120 uF",
        "idle_power": "1.5 W",
        "start_threshold": "45 V",
    },
    "dc": {
        "kind": "dc",
        "nominal": "24 V",
        "tolerance": "10 %",
        "current": "3 A",
        "bulk_capacitance": "1 mF",
        "idle_power": "0.6 W",
        "start_threshold": "8 V",
    },
}
BATTERY = typical_battery(output())


def model(kind: str = "ac", **changes: Any) -> UnitModel:
    charger = {key: value for key, value in {**NAMEPLATE, **changes}.items() if value is not None}
    return typical_model(
        Unit.model_validate(
            {"input": LINES[kind], "protection_class": "II", "output": {"main": charger}}
        )
    )


def powered(unit: UnitModel) -> Circuit:
    """A charger on its supply, for three seconds."""
    circuit = circuit_of(unit, AC_SOURCE if unit.input_kind == "ac" else DC_SUPPLY)
    nominal_v = 100.0 if unit.input_kind == "ac" else 24.0
    circuit.set_source(voltage_v=nominal_v, current_limit_a=6.0, frequency_hz=50.0, on=True)
    circuit.advance_to(3.0)
    return circuit


def phase(circuit: Circuit) -> Phase:
    found: Phase = circuit.converter.phase  # type: ignore[attr-defined]
    return found


@pytest.mark.parametrize("kind", ["ac", "dc"])
class TestCharge:
    def test_nothing_without_a_battery(self, kind: str) -> None:
        """It idles, its terminals have no voltage, and a load of constant current finds none."""
        circuit = powered(model(kind))
        idle_w = circuit.source_power_w(0.1)
        circuit.set_load(mode="current", value=1.0, on=True)
        circuit.advance_to(6.0)

        assert circuit.output_voltage_v() == 0.0
        assert circuit.converter.output_a == 0.0
        assert circuit.source_power_w(0.1) == pytest.approx(idle_w, rel=1e-2)

    def test_current_then_voltage_then_an_end(self, kind: str) -> None:
        """2 A until the battery has 18 V, a taper there, and nothing from 0.18 A on."""
        circuit = powered(model(kind))
        circuit.connect_battery(BATTERY, 0.86)
        seen: list[tuple[float, float, float]] = []
        while phase(circuit) is not Phase.ENDED and circuit.time_s < 600.0:
            circuit.advance_to(circuit.time_s + 0.5)
            seen.append(
                (circuit.converter.output_a, circuit.output_voltage_v(), circuit.source_power_w())
            )
        amps = [each for each, _, _ in seen]
        charging = [each for each in amps if each > 0.0]

        assert max(amps) == pytest.approx(2.0)
        assert charging[-1] == pytest.approx(0.18, rel=0.02)
        assert max(volts for _, volts, _ in seen) == pytest.approx(18.0, abs=0.01)
        # constant voltage: the current falls to 1/e in tau = C R over the EMF's rise; textbook
        tau_s = BATTERY.capacity_c * (0.15 + 0.005) / 3.6
        at = next(number for number, each in enumerate(amps) if 0.0 < each < 1.5 and number > 20)
        later = at + round(tau_s / 0.5)
        assert amps[later] == pytest.approx(amps[at] / math.e, rel=0.03)
        # input power follows, though line periods repeat
        input_w = [each for _, _, each in seen]
        assert input_w[later] == pytest.approx(
            input_w[at] - (amps[at] - amps[later]) * 18.0 * 1.1, rel=0.06
        )

    def test_an_end_by_a_drop_of_the_voltage(self, kind: str) -> None:
        """At constant current the voltage passes its highest, and 80 mV below it the end comes."""
        changes = {"end_current": None, "end_drop": "80 mV"}
        circuit = powered(model(kind, **changes))
        circuit.connect_battery(typical_battery(output(**changes)), 0.95)
        highest_v = 0.0
        while phase(circuit) is not Phase.ENDED and circuit.time_s < 600.0:
            last_v = circuit.converter.output_v
            highest_v = max(highest_v, last_v)
            circuit.advance_to(circuit.time_s + 0.5)

        assert phase(circuit) is Phase.ENDED
        assert highest_v - last_v == pytest.approx(0.08, abs=0.005)

    def test_an_ended_charge_stays_ended_until_the_battery_is_gone(self, kind: str) -> None:
        """What is still there is not charged again; what is connected anew is."""
        circuit = powered(model(kind))
        circuit.connect_battery(BATTERY, 0.995)
        circuit.advance_to(30.0)
        assert phase(circuit) is Phase.ENDED
        circuit.connect_battery(None)
        circuit.advance_to(33.0)
        assert phase(circuit) is Phase.ASLEEP
        assert circuit.output_voltage_v() == pytest.approx(0.0)
        circuit.connect_battery(BATTERY, 0.5)
        circuit.advance_to(36.0)
        assert circuit.converter.output_a == pytest.approx(2.0)

    def test_without_mains_the_battery_feeds_it(self, kind: str) -> None:
        """What drains from it is the EMF over the resistance across the terminals. Ohm's law."""
        unit = model(kind)
        leaky = replace(unit, charger=replace(unit.charger, drain_ohm=180.0))
        circuit = circuit_of(leaky, AC_SOURCE if kind == "ac" else DC_SUPPLY)
        circuit.connect_battery(BATTERY, 1.0)
        circuit.advance_to(1.0)

        assert circuit.converter.output_a == pytest.approx(-18.0 / 180.15, rel=1e-3)

    def test_a_load_that_holds_a_voltage_is_charged_like_a_battery(self, kind: str) -> None:
        """A small supply wakes it; the load takes the current of the charge, at its voltage."""
        circuit = powered(model(kind))
        circuit.set_load(mode="voltage", value=12.0, on=True)
        circuit.advance_to(6.0)
        assert circuit.converter.output_a == 0.0
        circuit.connect_small_supply(5.0, 0.05)
        assert circuit.converter.output_v == 5.0
        circuit.advance_to(9.0)
        assert circuit.converter.output_a == pytest.approx(2.0)
        assert circuit.output_voltage_v() == pytest.approx(12.1)  # 2 A through its 50 mohm

        circuit.set_load(value=8.0)
        circuit.advance_to(10.0)
        assert circuit.output_voltage_v() == pytest.approx(8.1)

    def test_a_small_supply_below_its_threshold_wakes_nothing(self, kind: str) -> None:
        """It wakes at nine tenths of the nameplate's 5 V, after a second."""
        circuit = powered(model(kind))
        circuit.set_load(mode="voltage", value=12.0, on=True)
        circuit.connect_small_supply(4.4, 0.05)
        circuit.advance_to(9.0)
        assert circuit.converter.output_a == 0.0
        circuit.connect_small_supply(4.6, 0.05)
        circuit.advance_to(9.5)
        assert circuit.converter.output_a == 0.0
        circuit.advance_to(10.5)
        assert circuit.converter.output_a == pytest.approx(2.0)


class TestAtRest:
    def test_a_long_charge_costs_little(self) -> None:
        """An hour into a large battery is carried by line periods that repeat."""
        circuit = powered(model())
        large = Battery(capacity_c=36e3, resistance_ohm=0.05, curve=((0.0, 10.0), (1.0, 16.0)))
        circuit.connect_battery(large, 0.2)
        circuit.advance_to(5.0)
        before = circuit.converter.charged_frac  # type: ignore[attr-defined]
        circuit.advance_to(3605.0)

        gained = circuit.converter.charged_frac - before  # type: ignore[attr-defined]
        assert gained == pytest.approx(3600.0 * 2.0 / 36e3, rel=1e-3)

    def test_a_unit_that_charges_nothing_takes_no_battery(self) -> None:
        """The output of a power unit is no charger."""
        circuit = powered(
            replace(typical_model(load_profile("dome-shutter-power-unit").unit), charger=None)
        )
        with pytest.raises(ValueError, match="charges no battery"):
            circuit.connect_battery(BATTERY, 0.5)
