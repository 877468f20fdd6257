from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.circuit.changes import FuseHeat
from harness.rehearse.unit_model import UnitModel
from harness.rehearse.unit_parts import Fuse
from harness.unit.formulas import capacitor_energy_j


def charge(model: UnitModel, *, limit_a: float, voltage_v: float) -> dict[str, float]:
    """Charge the unit from empty and return source charge, source energy and energy lost."""
    source = DC_SUPPLY
    circuit = circuit_of(model, source)
    circuit.set_source(voltage_v=voltage_v, current_limit_a=limit_a, on=True)
    path_ohm = source.wiring_ohm + model.fuse.resistance_ohm + model.rectifier.resistance_ohm
    path_ohm += model.bulk.series_resistance_ohm
    lost_j, before_v, step_s = 0.0, 0.0, 2e-5
    for step in range(1, 10001):
        circuit.advance_to(step * step_s)
        bulk_v = circuit.bulk_v
        current_a = model.bulk.capacitance_f * (bulk_v - before_v) / step_s
        before_v = bulk_v
        lost_j += (model.rectifier.drop_v * current_a + path_ohm * current_a**2) * step_s
    duration_s = circuit.time_s
    return {
        "charge_c": circuit.source_current_a(duration_s) * duration_s,
        "energy_j": circuit.source_power_w(duration_s) * duration_s,
        "lost_j": lost_j,
        "bulk_v": circuit.bulk_v,
        "terminal_v": circuit.source_voltage_v(),
    }


class TestCharge:
    @pytest.mark.parametrize("limit_a", [0.3, 3.0])
    def test_charge_is_conserved(self, still_a: UnitModel, limit_a: float) -> None:
        """What the supply gave is in the bulk capacitor and in its own output capacitor."""
        total = charge(still_a, limit_a=limit_a, voltage_v=24.0)
        stored_c = still_a.bulk.capacitance_f * total["bulk_v"]
        stored_c += DC_SUPPLY.output_capacitance_f * total["terminal_v"]

        assert total["charge_c"] == pytest.approx(stored_c, rel=0.01)

    @pytest.mark.parametrize("limit_a", [0.3, 3.0])
    def test_energy_is_conserved(self, still_a: UnitModel, limit_a: float) -> None:
        """What the supply gave is stored in both capacitors or lost in diode and resistances."""
        total = charge(still_a, limit_a=limit_a, voltage_v=24.0)
        stored_j = capacitor_energy_j(still_a.bulk.capacitance_f, total["bulk_v"])
        stored_j += capacitor_energy_j(DC_SUPPLY.output_capacitance_f, total["terminal_v"])

        assert total["energy_j"] == pytest.approx(stored_j + total["lost_j"], rel=0.01)

    def test_constant_current_charge_time(self, still_a: UnitModel) -> None:
        """470 uF reach 141.42 V at 0.1 A after 0.6647 s, t = C V / I (textbook)."""
        model = replace(still_a, varistor=None, rectifier=replace(still_a.rectifier, drop_v=0.0))
        circuit = circuit_of(model, replace(DC_SUPPLY, output_capacitance_f=1e-7))
        circuit.set_source(voltage_v=200.0, current_limit_a=0.1, on=True)
        time_s = 470e-6 * 141.42 / 0.1  # t = C V / I, textbook
        circuit.advance_to(time_s)

        assert time_s == pytest.approx(0.6647, abs=1e-4)
        assert circuit.bulk_v == pytest.approx(141.42, rel=2e-3)

    def test_series_diode_keeps_the_charge(self, still_a: UnitModel) -> None:
        """With the supply off the bulk capacitor keeps what it has behind the series diode."""
        circuit = circuit_of(still_a, DC_SUPPLY)
        circuit.set_source(voltage_v=24.0, current_limit_a=1.0, on=True)
        circuit.advance_to(0.5)
        full_v = circuit.bulk_v
        circuit.set_source(on=False)
        circuit.advance_to(5.0)

        assert circuit.bulk_v == pytest.approx(full_v, rel=1e-3)
        assert circuit.source_voltage_v() < 0.1

    @settings(max_examples=40)
    @given(
        levels=st.lists(st.floats(0.0, 30.0), min_size=1, max_size=5),
        limit_a=st.floats(0.01, 3.0),
        load_a=st.floats(0.0, 3.0),
    )
    def test_bulk_never_above_the_supply(
        self, model_a: UnitModel, levels: list[float], limit_a: float, load_a: float
    ) -> None:
        """No sequence of settings lifts the bulk voltage above the highest one, or below zero."""
        circuit = circuit_of(model_a, DC_SUPPLY)
        circuit.set_load(value=load_a, on=True)
        circuit.set_source(current_limit_a=limit_a, on=True)
        for number, voltage_v in enumerate(levels, start=1):
            circuit.set_source(voltage_v=voltage_v)
            for part in range(5):
                circuit.advance_to(0.2 * number + 0.04 * part)

                assert 0.0 <= circuit.bulk_v <= max(levels) + 1e-3
                assert 0.0 <= circuit.source_current_a() <= limit_a * (1 + 1e-9)


class TestRest:
    @pytest.mark.parametrize("voltage_v", [2.4, 6.0, 7.0])
    @pytest.mark.parametrize("leak_ohm", [1e6, 5e3, 200.0])
    def test_below_its_threshold_it_is_a_divider(
        self, model_a: UnitModel, voltage_v: float, leak_ohm: float
    ) -> None:
        """At rest the rectifier carries the leak's current, by Ohm's law, and nothing moves."""
        leaky = replace(model_a, defects=replace(model_a.defects, bulk_leak_ohm=leak_ohm))
        circuit = circuit_of(leaky, DC_SUPPLY)
        circuit.set_source(voltage_v=voltage_v, current_limit_a=0.3, on=True)
        circuit.advance_to(2.0)
        bulk_v, current_a = circuit.bulk_v, circuit.source_current_a()
        circuit.advance_to(20.0)

        leakage = 1 / leak_ohm + 1 / leaky.bulk.leakage_ohm
        expected_a = (voltage_v - leaky.rectifier.drop_v) * leakage
        assert current_a == pytest.approx(expected_a, rel=2e-3)
        assert bulk_v == pytest.approx(voltage_v - leaky.rectifier.drop_v, rel=2e-3)
        assert (circuit.bulk_v, circuit.source_current_a()) == (bulk_v, current_a)


class TestOff:
    def test_nothing_while_off(self, model_a: UnitModel) -> None:
        """With the output off no voltage, current or energy reaches the unit."""
        circuit = circuit_of(model_a, DC_SUPPLY)
        circuit.set_source(voltage_v=24.0, current_limit_a=1.5)
        circuit.advance_to(2.0)

        assert circuit.source_voltage_v() == 0.0
        assert circuit.source_current_a() == 0.0
        assert circuit.source_power_w(1.0) == 0.0
        assert circuit.bulk_v == 0.0
        assert circuit.output_voltage_v() == 0.0


class TestHealthyUnit:
    def test_idle(self, circuit_a: Circuit) -> None:
        """At 24 V without load, unit A draws well under 80 mA and less than its idle power."""
        assert circuit_a.source_current_a() < 0.04
        assert circuit_a.source_power_w() <= 0.6
        assert not circuit_a.source_limiting()

    @pytest.mark.parametrize("load_a", [0.0, 1.0, 2.0])
    def test_output(self, circuit_a: Circuit, load_a: float) -> None:
        """The 5 V output stays within 1 % from no load to nominal load, with little ripple."""
        circuit_a.set_load(value=load_a, on=True)
        circuit_a.advance_to(2.0)

        assert circuit_a.output_voltage_v() == pytest.approx(5.0, rel=0.01)
        assert circuit_a.converter.output_a == load_a
        assert circuit_a.output_ripple_v() < 0.02

    def test_overload_collapses_the_output(self, circuit_a: Circuit) -> None:
        """A constant-current load above the output's limit takes the output down."""
        circuit_a.set_load(value=2.6, on=True)
        circuit_a.advance_to(2.0)

        assert circuit_a.output_voltage_v() < 0.5

    def test_output_comes_back(self, circuit_a: Circuit) -> None:
        """When an overload goes, the output comes back."""
        circuit_a.set_load(value=2.6, on=True)
        circuit_a.advance_to(2.0)
        circuit_a.set_load(value=1.0)
        circuit_a.advance_to(3.0)

        assert circuit_a.output_voltage_v() == pytest.approx(5.0, rel=0.01)

    def test_stop_and_start_thresholds(self, model_a: UnitModel) -> None:
        """The converter starts above its start threshold and runs down to its stop threshold."""
        circuit = circuit_of(model_a, DC_SUPPLY)
        circuit.set_source(current_limit_a=1.5, on=True)
        outputs = []
        time_s = 0.0
        for voltage_v in (7.0, 7.6, 6.3, 5.0, 7.0):
            circuit.set_source(voltage_v=voltage_v)
            time_s += 20.0
            circuit.advance_to(time_s)
            outputs.append(circuit.output_voltage_v() > 4.0)

        assert outputs == [False, True, True, False, False]

    def test_restart_takes_its_time(self, circuit_a: Circuit, model_a: UnitModel) -> None:
        """After a stop the converter waits before it starts again."""
        circuit_a.set_load(value=2.0, on=True)
        circuit_a.set_source(on=False)
        circuit_a.advance_to(1.03)
        stopped_v = circuit_a.bulk_v
        circuit_a.set_source(on=True)
        outputs = []
        for step in range(1, 10):
            circuit_a.advance_to(1.03 + 0.02 * step)
            outputs.append(circuit_a.output_voltage_v())

        assert stopped_v < model_a.converter.stop_v
        assert outputs[0] < 0.1
        assert outputs[-1] == pytest.approx(5.0, rel=0.01)


class TestSteadyState:
    def test_a_jump_is_many_small_steps(self, circuit_a: Circuit, model_a: UnitModel) -> None:
        """Once at rest, one long step gives what a thousand short ones give."""
        other = circuit_of(model_a, DC_SUPPLY)
        other.set_source(voltage_v=24.0, current_limit_a=1.5, on=True)
        for step in range(1, 1001):
            other.advance_to(0.03 * step)
        circuit_a.advance_to(30.0)

        assert other.source_current_a() == pytest.approx(circuit_a.source_current_a(), rel=1e-4)
        assert other.bulk_v == pytest.approx(circuit_a.bulk_v, rel=1e-6)

    def test_fuse_parts_while_all_is_still(self, model_a: UnitModel) -> None:
        """A steady overcurrent opens the fuse at the time its heat foretells."""
        fuse = Fuse.time_lag(0.1, melting_i2t_a2s=0.15)
        shorted = replace(model_a, fuse=fuse, defects=replace(model_a.defects, input_short_ohm=0.2))
        circuit = circuit_of(shorted, replace(DC_SUPPLY, output_capacitance_f=1e-6))
        circuit.set_source(voltage_v=24.0, current_limit_a=0.3, on=True)
        circuit.advance_to(60.0)

        assert circuit.fuse.is_open
        assert circuit.let_through.i2t_a2s == pytest.approx(
            0.3**2 * FuseHeat(fuse).time_left_s(0.3), rel=0.01
        )
        assert circuit.source_current_a() == pytest.approx(0.0, abs=1e-6)


class TestInterface:
    def test_kinds_must_agree(self, model_a: UnitModel) -> None:
        """A DC unit on an AC source is refused."""
        with pytest.raises(ValueError, match="a unit fed with dc on a ac source"):
            circuit_of(model_a, AC_SOURCE)

    def test_time_does_not_run_back(self, circuit_a: Circuit) -> None:
        """A time already reached changes nothing."""
        before = circuit_a.source_current_a(), circuit_a.time_s
        circuit_a.advance_to(0.2)

        assert (circuit_a.source_current_a(), circuit_a.time_s) == before
