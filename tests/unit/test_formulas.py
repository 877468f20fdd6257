"""Laws of the formulas of capacitor, rectifier and varistor."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.unit import formulas
from harness.unit.formulas import (
    clamped_v,
    line_load,
    varistor_current_a,
    varistor_voltage_v,
)

PEAKS_V = st.floats(10.0, 400.0)
LINES_HZ = st.sampled_from([50.0, 60.0])
VOLTS = st.floats(1.0, 1000.0)
OHMS = st.floats(1e-3, 1e3)
EXPONENTS = st.floats(15.0, 50.0)


@given(peak=PEAKS_V, line_hz=LINES_HZ, share=st.floats(0.001, 0.9))
def test_valley_is_above_its_bound(peak: float, line_hz: float, share: float) -> None:
    """At constant power the bulk voltage stays above the bound without conduction time."""
    capacitance_f = 100e-6
    power_w = share * peak**2 * line_hz * capacitance_f
    # From the energy of half a line period, textbook.
    bound_v = math.sqrt(peak**2 - power_w / (line_hz * capacitance_f))
    valley_v = formulas.valley_at_constant_power_v(peak, line_hz, capacitance_f, power_w)

    assert bound_v * (1 - 1e-9) <= valley_v <= peak


def test_a_capacitor_too_small_for_half_a_period_runs_empty() -> None:
    """A capacitor that cannot bridge half a period falls to zero."""
    assert formulas.valley_at_constant_power_v(100.0, 50.0, 1e-6, 100.0) == 0.0


@given(from_v=st.floats(1.0, 400.0), share=st.floats(0.01, 0.99), constant_s=st.floats(1e-3, 100.0))
def test_discharge_and_its_time_are_inverse(from_v: float, share: float, constant_s: float) -> None:
    """Discharging for RC ln(V1 / V2) ends at V2 (textbook)."""
    time_s = constant_s * math.log(1.0 / share)

    assert formulas.discharged_v(from_v, time_s, constant_s) == pytest.approx(share * from_v)


def test_hold_up_is_energy_over_power() -> None:
    """Hold-up is the difference of two stored energies divided by the power."""
    energy_j = formulas.capacitor_energy_j(1e-4, 390.0) - formulas.capacitor_energy_j(1e-4, 300.0)

    assert formulas.hold_up_s(1e-4, 390.0, 300.0, 100.0) == pytest.approx(energy_j / 100.0)


def test_inrush_heats_the_resistor_with_the_energy_of_the_capacitor() -> None:
    """I2t times resistance is half C V squared, whatever the resistance."""
    for resistance_ohm in (0.1, 5.0, 100.0):
        heat_j = resistance_ohm * formulas.inrush_i2t_a2s(141.42, 1e-4, resistance_ohm)

        assert heat_j == pytest.approx(formulas.capacitor_energy_j(1e-4, 141.42))
        assert math.isfinite(heat_j)


@given(open_v=VOLTS, source_ohm=OHMS, exponent=EXPONENTS)
def test_varistor_and_source_agree(open_v: float, source_ohm: float, exponent: float) -> None:
    """Behind a source the current of the varistor is the current of the source."""
    across_v = clamped_v(open_v, source_ohm, 200.0, exponent)

    assert 0.0 < across_v <= open_v
    drop_v = varistor_current_a(across_v, 200.0, exponent) * source_ohm
    assert across_v + drop_v == pytest.approx(open_v, rel=1e-6)


@given(open_v=VOLTS, rise=st.floats(1.0, 2.0), source_ohm=OHMS)
def test_more_line_is_more_power(open_v: float, rise: float, source_ohm: float) -> None:
    """Mean power and rms current never fall when the line rises."""
    low = line_load(open_v, source_ohm, 200.0, 30.0, dc=False)
    high = line_load(open_v * rise, source_ohm, 200.0, 30.0, dc=False)

    assert all(more >= less * (1 - 1e-9) for less, more in zip(low, high, strict=True))


def test_a_varistor_on_dc_is_one_point() -> None:
    """On DC mean power is voltage times current."""
    across_v = clamped_v(300.0, 1.0, 200.0, 30.0)

    power_w, rms_a = line_load(300.0, 1.0, 200.0, 30.0, dc=True)
    assert power_w == pytest.approx(across_v * (300.0 - across_v))
    assert rms_a == pytest.approx(300.0 - across_v)


@given(current_a=st.floats(1e-6, 1e4), exponent=EXPONENTS)
def test_voltage_and_current_are_inverse(current_a: float, exponent: float) -> None:
    """The voltage at a current draws that current."""
    voltage_v = varistor_voltage_v(current_a, 200.0, exponent)

    assert varistor_current_a(voltage_v, 200.0, exponent) == pytest.approx(current_a, rel=1e-9)


def test_edges_of_the_power_law() -> None:
    """Without voltage no current, past all bounds an infinite one; unfed it clamps nothing."""
    assert varistor_current_a(0.0, 200.0, 30.0) == 0.0
    assert varistor_current_a(-200.0, 200.0, 30.0) == pytest.approx(1e-3)
    assert math.isinf(varistor_current_a(1e15, 200.0, 50.0))
    assert clamped_v(0.0, 1.0, 200.0, 30.0) == 0.0
    assert clamped_v(-5.0, 1.0, 200.0, 30.0) == 0.0
