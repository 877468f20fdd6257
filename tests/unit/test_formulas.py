"""Laws of the rectifier and capacitor formulas."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.unit import formulas

PEAKS_V = st.floats(10.0, 400.0)
LINES_HZ = st.sampled_from([50.0, 60.0])


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
    """A capacitor that cannot bridge half a period falls to nought."""
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
