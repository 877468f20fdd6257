from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.rehearse.circuit import AC_SOURCE, Circuit, circuit_of
from harness.rehearse.circuit.network import InputNetwork
from harness.rehearse.circuit.source import folded_v
from harness.rehearse.unit_model import UnitModel
from harness.rehearse.unit_parts import Varistor
from harness.unit.formulas import (
    capacitor_energy_j,
    peak_v,
    valley_at_constant_power_v,
)
from tests.rehearse.circuit.line_period import (
    bulk_swing_v,
    bulk_voltage_mean_v,
    source_peak_current_a,
)

#: Windows of the AC readings in these tests: two periods of 60 Hz.
WINDOW_S = 2 / 60


def near_ideal(model: UnitModel, *, capacitance_f: float, load_ohm: float) -> UnitModel:
    """The unit with hardly any loss before its bulk capacitor, and a resistor on that."""
    return replace(
        model,
        varistor=None,
        fuse=replace(model.fuse, resistance_ohm=1e-3),
        rectifier=replace(
            model.rectifier,
            drop_v=0.0,
            emission_v=0.0,
            resistance_ohm=1e-3,
            cold_limiter_ohm=0.0,
            inductance_h=0.0,
        ),
        bulk=replace(
            model.bulk,
            capacitance_f=capacitance_f,
            nominal_capacitance_f=capacitance_f,
            series_resistance_ohm=0.0,
            leakage_ohm=load_ohm,
        ),
    )


def run(model: UnitModel, *, voltage_v: float, frequency_hz: float) -> Circuit:
    """The unit on a stiff line, started and at rest."""
    circuit = circuit_of(
        model,
        replace(
            AC_SOURCE,
            resistance_ohm=1e-3,
            wiring_ohm=1e-3,
            crest_factor=1e4,
            switch_on_deg=0.0,
            inductance_h=0.0,
        ),
    )
    circuit.set_source(voltage_v=voltage_v, current_limit_a=1e3, frequency_hz=frequency_hz, on=True)
    circuit.advance_to(1.0)
    return circuit


class TestDiodes:
    @pytest.mark.parametrize("current_a", [0.1, 0.4, 2.0, 20.0])
    def test_drop(self, model_b: UnitModel, current_a: float) -> None:
        """About a current, drop and resistance give the diode's law and its slope (textbook)."""
        network = InputNetwork.of(model_b, AC_SOURCE, broken_over=False, is_closed=True)
        part, about = model_b.rectifier, network.about(current_a)
        extra_ohm = about.series_ohm - network.series_ohm
        drop_v = part.drop_v + part.emission_v * math.log(current_a / part.drop_at_a)

        assert about.drop_v + extra_ohm * current_a == pytest.approx(drop_v)
        assert extra_ohm == pytest.approx(part.emission_v / current_a)


class TestRipple:
    """The simulated rectifier against the exact solution of the ideal one (textbook)."""

    @pytest.mark.parametrize(
        ("voltage_v", "frequency_hz", "capacitance_f", "power_w"),
        [
            (100.0, 50.0, 100e-6, 20.0),
            (100.0, 50.0, 47e-6, 20.0),
            (120.0, 60.0, 100e-6, 20.0),
            (230.0, 50.0, 47e-6, 40.0),
        ],
    )
    def test_constant_power(
        self,
        model_b: UnitModel,
        voltage_v: float,
        frequency_hz: float,
        capacitance_f: float,
        power_w: float,
    ) -> None:
        """At constant power the ripple is that of the ideal rectifier within 1 %."""
        model = near_ideal(model_b, capacitance_f=capacitance_f, load_ohm=1e9)
        model = replace(model, converter=replace(model.converter, idle_power_w=power_w))
        circuit = run(model, voltage_v=voltage_v, frequency_hz=frequency_hz)
        peak = peak_v(voltage_v)
        ripple_v = peak - valley_at_constant_power_v(peak, frequency_hz, capacitance_f, power_w)

        assert bulk_swing_v(circuit) == pytest.approx(ripple_v, rel=0.01)

    def test_resistor(self, model_b: UnitModel) -> None:
        """On a resistor the ripple is that of the ideal rectifier within 1 %."""
        model = near_ideal(model_b, capacitance_f=100e-6, load_ohm=1000.0)
        model = replace(model, converter=replace(model.converter, starts=False))
        circuit = run(model, voltage_v=100.0, frequency_hz=50.0)
        # Exact valley of the ideal circuit, textbook; an independent simulator gives 129.69 V.
        ripple_v = peak_v(100.0) - 129.709

        assert bulk_swing_v(circuit) == pytest.approx(ripple_v, rel=0.01)


class TestHealthyUnit:
    @pytest.mark.parametrize("frequency_hz", [50.0, 60.0])
    def test_idle(self, circuit_b: Circuit, frequency_hz: float) -> None:
        """Without load, unit B draws real power within its idle power at both frequencies."""
        circuit_b.set_source(frequency_hz=frequency_hz)
        circuit_b.advance_to(2.0)

        assert 0.7 * 2.0 < circuit_b.source_power_w(0.1) < 0.95 * 2.0

    @pytest.mark.parametrize("load_a", [0.0, 1.25, 2.5])
    def test_output(self, circuit_b: Circuit, load_a: float) -> None:
        """The 24 V output stays between 23.5 V and 24.5 V, its ripple at a few tens of mV."""
        circuit_b.set_load(value=load_a, on=True)
        circuit_b.advance_to(2.0)

        assert 23.5 < circuit_b.output_voltage_v() < 24.5
        assert circuit_b.output_ripple_v() < 0.04

    def test_full_load(self, circuit_b: Circuit) -> None:
        """At full load efficiency is 85 % to 88 %, and current stays within the nameplate."""
        circuit_b.set_load(value=2.5, on=True)
        circuit_b.advance_to(2.0)
        input_w = circuit_b.source_power_w(WINDOW_S)
        output_w = circuit_b.output_voltage_v() * circuit_b.converter.output_a

        assert 0.85 < output_w / input_w < 0.88
        assert circuit_b.source_current_a(WINDOW_S) < 1.2

    def test_power_balance(self, circuit_b: Circuit, model_b: UnitModel) -> None:
        """Input power is the converter's and what leak, diodes and resistances turn to heat."""
        circuit_b.set_load(value=2.5, on=True)
        circuit_b.advance_to(2.0)
        rectifier, bulk = model_b.rectifier, model_b.bulk
        power_w = model_b.converter.input_power_w(circuit_b.output_voltage_v() * 2.5)
        square_a2 = circuit_b.source_current_a(WINDOW_S) ** 2
        bulk_v = bulk_voltage_mean_v(circuit_b, WINDOW_S)
        ohm = rectifier.resistance_ohm + model_b.fuse.resistance_ohm + AC_SOURCE.wiring_ohm
        # All charge that leaves the capacitor came through the diodes.
        heat_w = (
            rectifier.drop_v * power_w / bulk_v + ohm * square_a2 + bulk_v**2 / bulk.leakage_ohm
        )
        # The capacitor's resistance carries the alternating part only.
        heat_w += bulk.series_resistance_ohm * (square_a2 - (power_w / bulk_v) ** 2)

        assert circuit_b.source_power_w(WINDOW_S) == pytest.approx(power_w + heat_w, rel=0.005)

    def test_starts_at_its_threshold(self, model_b: UnitModel) -> None:
        """The converter stands still at the nameplate's threshold and runs 5 % above it."""
        started = {}
        for voltage_v in (55.0, 57.75):
            circuit = circuit_of(model_b, AC_SOURCE)
            circuit.set_source(voltage_v=voltage_v, current_limit_a=1.5, frequency_hz=60.0, on=True)
            circuit.advance_to(2.0)
            started[voltage_v] = circuit.output_voltage_v() > 20.0

        assert started == {55.0: False, 57.75: True}

    def test_filling_the_output_is_small_against_the_bulk_capacitor(
        self, model_b: UnitModel
    ) -> None:
        """The output capacitor takes less than a tenth of the bulk capacitor's energy."""
        converter, bulk = model_b.converter, model_b.bulk
        output_j = capacitor_energy_j(converter.output_capacitance_f, converter.output_v)
        bulk_j = capacitor_energy_j(bulk.capacitance_f, converter.nominal_bulk_v)

        assert output_j < 0.1 * bulk_j


class TestSteadyState:
    @pytest.mark.parametrize("load_a", [0.0, 2.5])
    def test_reused_half_cycles_are_what_they_stand_for(
        self, circuit_b: Circuit, model_b: UnitModel, load_a: float
    ) -> None:
        """One long step gives the readings that a walk by odd small steps gives."""
        walked = circuit_of(model_b, AC_SOURCE)
        walked.set_source(voltage_v=120.0, current_limit_a=1.5, frequency_hz=60.0, on=True)
        walked.advance_to(1.0)
        for circuit in (circuit_b, walked):
            circuit.set_load(value=load_a, on=True)
        for step in range(1, 500):
            walked.advance_to(1.0 + 0.0077 * step)
        circuit_b.advance_to(walked.time_s)

        for quantity in ("source_current_a", "source_power_w", "source_voltage_v"):
            assert getattr(walked, quantity)(WINDOW_S) == pytest.approx(
                getattr(circuit_b, quantity)(WINDOW_S), rel=1e-4
            )

    def test_half_wave_readings_do_not_depend_on_when_they_are_taken(
        self, model_b: UnitModel
    ) -> None:
        """With one leg open, readings over whole periods agree at every phase."""
        rectifier = replace(model_b.rectifier, conducts_negative=False)
        circuit = circuit_of(replace(model_b, rectifier=rectifier), AC_SOURCE)
        circuit.set_source(voltage_v=120.0, current_limit_a=1.5, frequency_hz=60.0, on=True)
        circuit.advance_to(3.0)
        powers_w = []
        for step in range(1, 20):
            circuit.advance_to(3.0 + 0.0047 * step)
            powers_w.append(circuit.source_power_w(WINDOW_S))

        assert max(powers_w) == pytest.approx(min(powers_w), rel=1e-4)


class TestLimit:
    def test_short_is_held_at_the_limit(self, model_b: UnitModel) -> None:
        """Into a short, rms current settles at the limit and never passes the peak clamp."""
        shorted = replace(model_b, defects=replace(model_b.defects, input_short_ohm=0.2))
        circuit = circuit_of(shorted, AC_SOURCE)
        circuit.set_source(voltage_v=120.0, current_limit_a=0.5, frequency_hz=60.0, on=True)
        peaks_a = []
        for step in range(1, 61):
            circuit.advance_to(step / 120)
            peaks_a.append(source_peak_current_a(circuit))

        assert max(peaks_a) <= AC_SOURCE.crest_factor * 0.5 * (1 + 1e-9)
        assert circuit.source_current_a(WINDOW_S) == pytest.approx(0.5, rel=0.02)
        assert circuit.source_limiting()

    def test_healthy_unit_charges_and_leaves_the_limit(self, model_b: UnitModel) -> None:
        """A healthy unit at nominal voltage charges through the limit within half a second."""
        circuit = circuit_of(model_b, AC_SOURCE)
        circuit.set_source(voltage_v=120.0, current_limit_a=0.5, frequency_hz=60.0, on=True)
        circuit.advance_to(0.05)
        early = circuit.source_limiting()
        circuit.advance_to(0.5)

        assert early
        assert not circuit.source_limiting()
        assert circuit.source_voltage_v(WINDOW_S) == pytest.approx(120.0, rel=1e-3)

    @given(
        actual=st.floats(0.01, 1.0),
        current_a=st.floats(0.0, 50.0),
        limit_a=st.floats(0.0, 5.0),
    )
    def test_fold_is_monotone(self, actual: float, current_a: float, limit_a: float) -> None:
        """Amplitude falls above the limit, does not fall below it, never passes its setting."""
        after_v = folded_v(actual * 120.0, 120.0, current_a, limit_a)

        assert 0.0 < after_v <= 120.0
        if current_a > limit_a * (1.0 + 1e-12):  # nearer, the fall is less than one rounding
            assert after_v < actual * 120.0
        else:
            assert after_v >= min(actual * 120.0, 120.0) or limit_a == 0.0


class TestOff:
    def test_nothing_while_off(self, circuit_b: Circuit) -> None:
        """Switched off, voltage, current and power are zero at once and no energy flows."""
        circuit_b.set_source(on=False)
        circuit_b.advance_to(1.05)

        assert circuit_b.source_voltage_v(WINDOW_S) == 0.0
        assert circuit_b.source_current_a(WINDOW_S) == 0.0
        assert circuit_b.source_power_w(WINDOW_S) == 0.0
        assert source_peak_current_a(circuit_b) == 0.0

    def test_bulk_capacitor_empties(self, circuit_b: Circuit, model_b: UnitModel) -> None:
        """Off, the converter empties the bulk capacitor to its stop threshold, then the bleeder."""
        circuit_b.set_source(on=False)
        circuit_b.advance_to(3.0)
        stop_v = model_b.converter.stop_v
        after_v = circuit_b.bulk_v
        circuit_b.advance_to(53.0)
        rest_s = 50.0 / (model_b.bulk.leakage_ohm * model_b.bulk.capacitance_f)

        assert 0.9 * stop_v < after_v < stop_v
        assert circuit_b.bulk_v == pytest.approx(after_v * math.exp(-rest_s), rel=1e-3)

    def test_switching_off_cuts_the_half_cycle_short(self, model_b: UnitModel) -> None:
        """What went through a short ends at the moment of switching off, not at a zero crossing."""
        shorted = replace(model_b, defects=replace(model_b.defects, input_short_ohm=0.2))
        charges_c = []
        for off_s in (0.050, 0.052, 0.054):
            circuit = circuit_of(shorted, AC_SOURCE)
            circuit.set_source(voltage_v=12.0, current_limit_a=0.5, frequency_hz=60.0, on=True)
            circuit.advance_to(off_s)
            circuit.set_source(on=False)
            circuit.advance_to(1.0)
            charges_c.append(circuit.let_through.charge_c)

        assert charges_c[0] < charges_c[1] < charges_c[2]


class TestVaristor:
    def test_wrong_line_is_clamped(self, model_b: UnitModel) -> None:
        """230 V on a 200 V varistor: the source limits, the varistor holds the voltage down."""
        model = replace(model_b, varistor=Varistor(voltage_at_1ma_v=200.0))
        circuit = circuit_of(model, AC_SOURCE)
        circuit.set_source(voltage_v=230.0, current_limit_a=2.0, frequency_hz=50.0, on=True)
        peaks_a = []
        for number in range(20):  # it hunts about its limit: a single half-cycle may have none
            circuit.advance_to(0.01 * (number + 1))
            peaks_a.append(source_peak_current_a(circuit))

        assert circuit.bulk_v < 285.0
        assert max(peaks_a[10:]) > 1.0

    def test_right_line_does_not_see_it(self, circuit_b: Circuit, model_b: UnitModel) -> None:
        """At the highest line in service a varistor changes no reading."""
        bare = circuit_of(replace(model_b, varistor=None), AC_SOURCE)
        bare.set_source(voltage_v=132.0, current_limit_a=1.5, frequency_hz=60.0, on=True)
        circuit_b.set_source(voltage_v=132.0)
        for circuit in (bare, circuit_b):
            circuit.advance_to(2.0)

        assert circuit_b.source_power_w(WINDOW_S) == pytest.approx(
            bare.source_power_w(WINDOW_S), rel=1e-3
        )


@settings(max_examples=30)
@given(
    levels=st.lists(st.floats(0.0, 132.0), min_size=1, max_size=4),
    limit_a=st.floats(0.05, 2.0),
    frequency_hz=st.sampled_from([50.0, 60.0]),
    load_a=st.floats(0.0, 3.2),
)
def test_bulk_never_above_the_peak(
    model_b: UnitModel, levels: list[float], limit_a: float, frequency_hz: float, load_a: float
) -> None:
    """No sequence of settings lifts the bulk voltage above the highest peak, or below zero."""
    circuit = circuit_of(model_b, AC_SOURCE)
    circuit.set_load(value=load_a, on=True)
    circuit.set_source(current_limit_a=limit_a, frequency_hz=frequency_hz, on=True)
    for number, voltage_v in enumerate(levels, start=1):
        circuit.set_source(voltage_v=voltage_v)
        for part in range(1, 6):
            circuit.advance_to(0.2 * (number - 1) + 0.04 * part)

            assert 0.0 <= circuit.bulk_v <= peak_v(max(levels)) + 1e-6
            assert circuit.source_power_w(0.04) >= -1e-9
    assert circuit.let_through.charge_c == 0.0


def test_fuse_parts_in_a_current_that_repeats(model_b: UnitModel) -> None:
    """A fuse that melts while every line period is like the last one opens, and power ends."""
    fuse = replace(model_b.fuse, melting_i2t_a2s=2.0, heat_time_s=1e3)
    circuit = circuit_of(replace(model_b, fuse=fuse), AC_SOURCE)
    circuit.set_load(value=2.0, on=True)
    circuit.set_source(voltage_v=120.0, current_limit_a=5.0, frequency_hz=60.0, on=True)
    for step in range(1, 101):
        circuit.advance_to(0.1 * step)

    assert circuit.fuse.is_open
    assert circuit.source_current_a() == 0.0
