"""Charge and energy of a start against worked values of the textbook formulas."""

from __future__ import annotations

import math

import pytest

from harness.profile.allowance import InrushAllowance


def budget(
    kind: str, capacitance_f: float, from_v: float, to_v: float, peak: float
) -> InrushAllowance:
    """Return the budget of one level."""
    return InrushAllowance(
        kind=kind,
        capacitance_f=capacitance_f,
        peak_factor=peak,
        charge_factor=2.0,
        from_v=from_v,
        to_v=to_v,
        idle_power_w=0.0,
        threshold_v=0.0,
        leakage_a=0.0,
    )


@pytest.mark.parametrize(
    ("kind", "capacitance_f", "to_v", "peak", "expected"),
    [
        # Q = C V: 470 uF to 141.42 V takes 66.47 mC (textbook, worked)
        ("charge", 470e-6, 141.42, 1.0, 66.47e-3),
        # E = C V^2 / 2: 470 uF at 141.42 V holds 4.700 J (textbook, worked)
        ("energy", 470e-6, 141.42, 1.0, 4.700),
        # the same from 100 V rms, whose peak is 141.42 V
        ("energy", 470e-6, 100.0, math.sqrt(2), 4.700),
        # 100 uF at the peak of 230 V rms, 325.27 V, holds 5.290 J (textbook, worked)
        ("energy", 100e-6, 230.0, math.sqrt(2), 5.290),
    ],
)
def test_filling_a_capacitor_takes_what_the_textbook_says(
    kind: str, capacitance_f: float, to_v: float, peak: float, expected: float
) -> None:
    """Charge and energy of a whole start are C V and half C V squared."""
    assert budget(kind, capacitance_f, 0.0, to_v, peak).healthy == pytest.approx(expected, rel=1e-4)


def test_half_the_voltage_is_a_quarter_of_the_energy() -> None:
    """The second half of the voltage takes three times the energy of the first (textbook)."""
    first = budget("energy", 150e-6, 0.0, 60.0, math.sqrt(2)).healthy
    second = budget("energy", 150e-6, 60.0, 120.0, math.sqrt(2)).healthy

    assert second == pytest.approx(3 * first)
