from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.circuit.changes import Changes
from harness.rehearse.unit_model import Onset, UnitModel
from harness.rehearse.unit_parts import InrushLimiter, Varistor
from harness.unit.formulas import clamped_v, varistor_current_a
from tests.rehearse.circuit.line_period import source_peak_current_a


def on(model: UnitModel, voltage_v: float, limit_a: float = 3.0) -> Circuit:
    """The unit on its supply, just switched on."""
    ac = model.input_kind == "ac"
    circuit = circuit_of(model, AC_SOURCE if ac else DC_SUPPLY)
    circuit.set_source(voltage_v=voltage_v, current_limit_a=limit_a, frequency_hz=60.0, on=True)
    return circuit


def limited(model: UnitModel, limiter: InrushLimiter) -> UnitModel:
    """The unit with an inrush limiter in place of the warm one in its resistance."""
    rectifier = replace(model.rectifier, resistance_ohm=0.1, limiter=limiter)
    return replace(model, rectifier=rectifier)


class TestOfAUnit:
    def test_nothing_changes_in_a_typical_unit(self, model_a: UnitModel) -> None:
        """A unit without slow parts has no slow states, so that it costs what it did."""
        assert Changes(model_a).is_constant


class TestInrushLimiter:
    #: Beta equation at 75 degC: 10 ohm exp(3000 (1/348.15 - 1/298.15)) = 2.357 ohm (textbook).
    def test_beta_equation(self) -> None:
        """10 ohm and B = 3000 K give 2.357 ohm at 75 degC (beta equation, textbook)."""
        limiter = InrushLimiter(cold_ohm=10.0, beta_k=3000.0)

        assert limiter.resistance_ohm(25.0) == pytest.approx(10.0)
        assert limiter.resistance_ohm(75.0) == pytest.approx(2.357, abs=1e-3)

    def test_time_constant(self) -> None:
        """After one time constant it has 63.2 % of its rise at constant power (textbook)."""
        limiter = InrushLimiter(cold_ohm=10.0, dissipation_w_per_k=0.02, heat_time_s=50.0)

        assert limiter.warmed_degc(25.0, 1.0, 50.0) == pytest.approx(
            25.0 + 50.0 * 0.63212, abs=1e-2
        )

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_comes_to_rest_where_heat_goes_out_as_it_comes_in(
        self, kind: str, model_a: UnitModel, model_b: UnitModel
    ) -> None:
        """After ten time constants its heat balances: I^2 R(T) = D (T - Ta)."""
        limiter = InrushLimiter(cold_ohm=4.0, dissipation_w_per_k=0.01, heat_time_s=10.0)
        model, volts = (model_a, 24.0) if kind == "dc" else (model_b, 120.0)
        circuit = on(limited(model, limiter), volts)
        circuit.set_load(value=1.5, on=True)
        circuit.advance_to(100.0)
        changes = circuit.changes
        in_w = circuit.source_current_a(0.1) ** 2 * limiter.resistance_ohm(changes.limiter_degc)

        assert changes.limiter_degc > 35.0
        assert in_w == pytest.approx(0.01 * (changes.limiter_degc - 25.0), rel=0.02)

    def test_lowers_the_first_peak(self, model_b: UnitModel) -> None:
        """A cold limiter of 10 ohm keeps the first peak below peak voltage over 10 ohm."""
        limiter = InrushLimiter(cold_ohm=10.0)
        circuit = on(limited(model_b, limiter), 120.0, limit_a=10.0)
        circuit.advance_to(0.01)

        assert 5.0 < source_peak_current_a(circuit) < math.sqrt(2.0) * 120.0 / 10.0

    def test_cools_while_off(self, model_b: UnitModel) -> None:
        """With the supply off it goes back to its surroundings, one e-fold a time constant."""
        limiter = InrushLimiter(cold_ohm=4.0, heat_time_s=10.0)
        circuit = on(limited(model_b, limiter), 120.0)
        circuit.set_load(value=2.0, on=True)
        circuit.advance_to(30.0)
        circuit.set_source(on=False)
        changes = circuit.changes
        warm_degc = changes.limiter_degc
        circuit.advance_to(40.0)

        assert changes.limiter_degc - 25.0 == pytest.approx((warm_degc - 25.0) / math.e, rel=0.02)


class TestVaristorEnergy:
    def test_fails_short_when_its_energy_is_spent(self, model_a: UnitModel) -> None:
        """At constant over-voltage it fails after rating over power, without cooling."""
        part = Varistor(voltage_at_1ma_v=33.0, energy_j=1.0, cooling_s=1e6)
        model = replace(model_a, varistor=part)
        source = DC_SUPPLY
        circuit = on(model, 40.0, limit_a=10.0)
        line_ohm = source.resistance_ohm + source.wiring_ohm + model.fuse.resistance_ohm
        across_v = clamped_v(40.0, line_ohm, *part.law)
        due_s = 1.0 / (across_v * varistor_current_a(across_v, *part.law))
        circuit.advance_to(0.9 * due_s)
        before = circuit.let_through.charge_c
        circuit.advance_to(1.1 * due_s + 0.01)

        assert before == 0.0
        assert circuit.let_through.charge_c > 0.0
        assert circuit.source_limiting()

    def test_cooling_saves_it(self, model_a: UnitModel) -> None:
        """Below rating over cooling time in watts it lasts for ever."""
        part = Varistor(voltage_at_1ma_v=33.0, energy_j=10.0, cooling_s=20.0)
        circuit = on(replace(model_a, varistor=part), 33.0)
        circuit.advance_to(600.0)

        assert circuit.let_through.charge_c == 0.0
        assert circuit.changes.varistor_j == pytest.approx(0.033 * 20.0, rel=0.05)

    def test_on_a_line_too_high(self, model_b: UnitModel) -> None:
        """A varistor for 120 V on 230 V fails within some half-cycles, and the line is shorted."""
        part = Varistor(voltage_at_1ma_v=200.0, energy_j=42.0)
        circuit = on(replace(model_b, varistor=part), 230.0, limit_a=10.0)
        circuit.advance_to(0.5)

        assert circuit.let_through.i2t_a2s > 0.0


class TestForming:
    def test_leakage_falls_to_its_final_value(self, still_a: UnitModel) -> None:
        """Extra leakage falls by e in a time constant at voltage, and is gone after many."""
        bulk = replace(
            still_a.bulk,
            leakage_ohm=1e6,
            forming_ohm=1e3,
            forming_s=10.0,
            forming_v=23.55,
        )
        circuit = on(replace(still_a, bulk=bulk), 24.0)
        currents = []
        for time_s in (1.0, 11.0, 150.0):
            circuit.advance_to(time_s)
            currents.append(circuit.source_current_a())

        assert currents[1] / currents[0] == pytest.approx(1 / math.e, rel=0.03)
        assert currents[2] == pytest.approx(23.55 / 1e6, rel=0.05)

    def test_nothing_forms_without_voltage(self, model_a: UnitModel) -> None:
        """Time without voltage leaves the leakage as it is."""
        bulk = replace(model_a.bulk, forming_ohm=1e3, forming_s=10.0, forming_v=24.0)

        assert bulk.forming_left(0.7, 0.0, 1e6) == 0.7


class TestOnset:
    @pytest.mark.parametrize(("kind", "volts"), [("dc", 24.0), ("ac", 120.0)])
    def test_at_a_time(
        self, kind: str, volts: float, model_a: UnitModel, model_b: UnitModel
    ) -> None:
        """A short that comes two seconds after power carries nothing before, and much after."""
        model = model_a if kind == "dc" else model_b
        late = replace(
            model.defects, bulk_short_ohm=0.4, onsets={"bulk_short_ohm": Onset(time_s=2.0)}
        )
        circuit = circuit_of(replace(model, defects=late), DC_SUPPLY if kind == "dc" else AC_SOURCE)
        circuit.advance_to(1.0)
        circuit.set_source(voltage_v=volts, current_limit_a=1.0, frequency_hz=50.0, on=True)
        circuit.advance_to(2.99)
        before = circuit.let_through.charge_c
        circuit.advance_to(3.2)

        assert before == 0.0
        assert circuit.let_through.charge_c > 0.1

    @pytest.mark.parametrize(("kind", "below", "above"), [("dc", 12.0, 20.0), ("ac", 60.0, 100.0)])
    def test_at_a_voltage(
        self, kind: str, below: float, above: float, model_a: UnitModel, model_b: UnitModel
    ) -> None:
        """A leak that begins at a bulk voltage is not there below it, and stays once it came."""
        model = model_a if kind == "dc" else model_b
        onset = Onset(voltage_v=16.0 if kind == "dc" else 110.0)
        late = replace(model.defects, bulk_leak_ohm=100.0, onsets={"bulk_leak_ohm": onset})
        circuit = on(replace(model, defects=late), below)
        circuit.advance_to(1.0)
        before = circuit.let_through.charge_c
        circuit.set_source(voltage_v=above)
        circuit.advance_to(1.2)
        after = circuit.let_through.charge_c
        circuit.set_source(voltage_v=0.5 * below)
        circuit.advance_to(1.4)

        assert before == 0.0
        assert after > 0.0
        assert circuit.let_through.charge_c > after

    @pytest.mark.parametrize("field", ["input_short", "bulk_short", "bulk_leak"])
    def test_an_onset_of_nothing_is_a_fault_from_the_beginning(
        self, field: str, model_a: UnitModel
    ) -> None:
        """With an onset of zero a fault is there from the beginning: the unit has no slow state."""
        defects = replace(
            model_a.defects, onsets={f"{field}_ohm": Onset()}, **{f"{field}_ohm": 1.0}
        )  # type: ignore[arg-type]

        assert Changes(replace(model_a, defects=defects)).is_constant


class TestAgeing:
    def test_one_number_moves_both(self, model_b: UnitModel) -> None:
        """With half its capacitance left a capacitor has twice its series resistance."""
        aged = model_b.bulk.aged(0.5)

        assert aged.capacitance_f == 0.5 * model_b.bulk.nominal_capacitance_f
        assert aged.series_resistance_ohm == 2.0 * model_b.bulk.series_resistance_ohm


@settings(max_examples=15)
@given(
    kind=st.sampled_from(["dc", "ac"]),
    cold_ohm=st.sampled_from([0.5, 5.0, 47.0]),
    heat_s=st.sampled_from([0.05, 2.0, 60.0]),
    energy_j=st.sampled_from([0.01, 1.0, math.inf]),
    onset=st.builds(Onset, time_s=st.floats(0.0, 2.0), voltage_v=st.floats(0.0, 30.0)),
    moves=st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.3, 1.0, 1.5, 2.5]),
            st.sampled_from([0.05, 0.5, 5.0]),
            st.sampled_from([0.003, 0.2, 1.5]),
        ),
        min_size=1,
        max_size=4,
    ),
)
def test_any_unit_that_changes_stays_sane(
    kind: str,
    cold_ohm: float,
    heat_s: float,
    energy_j: float,
    onset: Onset,
    moves: list[tuple[float, float, float]],
    model_a: UnitModel,
    model_b: UnitModel,
) -> None:
    """Whatever changes in a unit and whatever is set, values stay finite and bulk below peak."""
    model, nominal_v = (model_a, 24.0) if kind == "dc" else (model_b, 120.0)
    model = limited(model, InrushLimiter(cold_ohm=cold_ohm, heat_time_s=heat_s))
    assert model.varistor is not None
    model = replace(
        model,
        varistor=replace(model.varistor, energy_j=energy_j, cooling_s=1.0),
        bulk=replace(model.bulk, forming_ohm=1e3, forming_s=0.5, forming_v=nominal_v),
        defects=replace(model.defects, bulk_short_ohm=0.5, onsets={"bulk_short_ohm": onset}),
    )
    circuit = on(model, 0.0)
    time_s = 0.0
    for volts, limit_a, hold_s in moves:
        circuit.set_source(voltage_v=volts * nominal_v, current_limit_a=limit_a)
        for _ in range(3):
            time_s += hold_s
            circuit.advance_to(time_s)
            values = (
                circuit.source_current_a(0.05),
                circuit.source_power_w(0.05),
                circuit.bulk_v,
                circuit.let_through.energy_j,
                circuit.changes.limiter_degc,
            )

            assert all(math.isfinite(value) and value > -1e-6 for value in values)
            assert circuit.bulk_v <= 2.5 * nominal_v * math.sqrt(2.0)
