"""Laws of the varistor's power law behind a source."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.unit.varistor import (
    clamped_v,
    line_load,
    varistor_current_a,
    varistor_voltage_v,
)

VOLTS = st.floats(1.0, 1000.0)
OHMS = st.floats(1e-3, 1e3)
EXPONENTS = st.floats(15.0, 50.0)


@given(open_v=VOLTS, source_ohm=OHMS, exponent=EXPONENTS)
def test_two_laws_hold_at_once(open_v: float, source_ohm: float, exponent: float) -> None:
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


def test_dc_is_one_point() -> None:
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


def test_edges() -> None:
    """Without voltage no current, past all bounds an infinite one; unfed it clamps nothing."""
    assert varistor_current_a(0.0, 200.0, 30.0) == 0.0
    assert varistor_current_a(-200.0, 200.0, 30.0) == pytest.approx(1e-3)
    assert math.isinf(varistor_current_a(1e15, 200.0, 50.0))
    assert clamped_v(0.0, 1.0, 200.0, 30.0) == 0.0
    assert clamped_v(-5.0, 1.0, 200.0, 30.0) == 0.0
