"""Rectifier and capacitor figures that textbooks' formulas give, worked out by hand and by spice.

Source of the formulas: any textbook of power electronics. The figures are worked examples; the
exact ripple rows marked "spice" were confirmed with a near-ideal diode in an independent circuit
simulator within 25 mV.
"""

from __future__ import annotations

import pytest

from harness.unit import formulas


@pytest.mark.parametrize(
    ("rms_v", "peak_v"),
    [
        (100, 141.42),
        (101, 142.84),
        (115, 162.63),
        (120, 169.71),
        (200, 282.84),
        (202, 285.67),
        (220, 311.13),
        (230, 325.27),
        (240, 339.41),
        (253, 357.80),
        (264, 373.35),
    ],
)
def test_peak_of_a_sine(rms_v: float, peak_v: float) -> None:
    """The peak of a sine is the root of two times its rms value."""
    assert formulas.peak_v(rms_v) == pytest.approx(peak_v, abs=0.01)


@pytest.mark.parametrize(
    ("rms_v", "line_hz", "capacitance_f", "power_w", "valley_v"),
    [
        (100, 50, 100e-6, 20, 128.703),  # spice: 128.68
        (100, 50, 47e-6, 20, 115.149),
        (120, 60, 100e-6, 20, 160.698),
        (230, 50, 47e-6, 40, 301.546),
    ],
)
def test_exact_ripple_at_constant_power(
    rms_v: float, line_hz: float, capacitance_f: float, power_w: float, valley_v: float
) -> None:
    """The exact valley of a switching converter's bulk capacitor."""
    peak = formulas.peak_v(rms_v)
    valley = formulas.valley_at_constant_power_v(peak, line_hz, capacitance_f, power_w)

    assert valley == pytest.approx(valley_v, abs=1e-3)


@pytest.mark.parametrize(
    ("capacitance_f", "from_v", "to_v", "power_w", "time_s"),
    [(100e-6, 141.42, 90, 20, 29.75e-3), (100e-6, 390, 300, 100, 31.05e-3)],
)
def test_hold_up(
    capacitance_f: float, from_v: float, to_v: float, power_w: float, time_s: float
) -> None:
    """Hold-up time of a bulk capacitor at constant power."""
    assert formulas.hold_up_s(capacitance_f, from_v, to_v, power_w) == pytest.approx(
        time_s, abs=1e-5
    )


def test_energy_of_a_charged_capacitor() -> None:
    """470 uF at 141.42 V hold 4.700 J."""
    assert formulas.capacitor_energy_j(470e-6, 141.42) == pytest.approx(4.700, abs=1e-3)


def test_energy() -> None:
    """100 uF at the peak of 230 V holds 5.290 J."""
    assert formulas.capacitor_energy_j(100e-6, 325.27) == pytest.approx(5.290, abs=1e-3)


def test_inrush_integral() -> None:
    """141.42 V into 100 uF through 5 ohm: 0.2 A2s."""
    assert formulas.inrush_i2t_a2s(141.42, 100e-6, 5) == pytest.approx(0.2, abs=1e-4)


@pytest.mark.parametrize(
    ("rms_v", "after_1_s", "after_2_s"),
    [(100, 16.85, 2.01), (120, 20.21, 2.41), (230, 38.74, 4.62)],
)
def test_discharge_of_a_line_capacitor(rms_v: float, after_1_s: float, after_2_s: float) -> None:
    """0.47 uF on 1 Mohm, from the peak of the line."""
    peak = formulas.peak_v(rms_v)

    assert formulas.discharged_v(peak, 1, 0.47) == pytest.approx(after_1_s, abs=0.01)
    assert formulas.discharged_v(peak, 2, 0.47) == pytest.approx(after_2_s, abs=0.01)


@pytest.mark.parametrize(
    ("rms_v", "limit_v", "time_s", "constant_s"),
    [
        (100, 34, 1, 0.7016),
        (120, 34, 1, 0.6220),
        (230, 34, 1, 0.4428),
        (100, 60, 2, 2.333),
        (120, 60, 2, 1.924),
        (230, 60, 2, 1.183),
    ],
)
def test_largest_time_constant(
    rms_v: float, limit_v: float, time_s: float, constant_s: float
) -> None:
    """The largest RC that meets a limit at a time after disconnection at the peak."""
    left_v = formulas.discharged_v(formulas.peak_v(rms_v), time_s, constant_s)

    assert left_v == pytest.approx(limit_v, rel=2e-3)


@pytest.mark.parametrize(("to_v", "time_s"), [(60, 41.5), (50, 50.3), (34, 69.0)])
def test_bulk_capacitor_on_its_bleeder(to_v: float, time_s: float) -> None:
    """220 uF on 220 kohm, from 141.42 V."""
    left_v = formulas.discharged_v(141.42, time_s, 220e-6 * 220e3)

    assert left_v == pytest.approx(to_v, rel=2e-3)
