"""The varistor law against worked rows.

Terms: IEC 61051-1 (varistor voltage at 1 mA DC, I = K V^alpha). Worked figures: computed from the
power law. Class data (130 V rms: 200 V at 1 mA, 340 V clamping): common practice (a maker's data
sheet).
"""

from __future__ import annotations

import pytest

from harness.rehearse.circuit.varistor_law import (
    exponent_between,
    varistor_current_a,
    varistor_voltage_v,
    voltage_behind_v,
)
from harness.rehearse.unit_model import Varistor
from harness.unit.formulas import peak_v

CLASS_130 = Varistor(voltage_at_1ma_v=200.0, exponent=30.0)


@pytest.mark.parametrize(("current_a", "voltage_v"), [(1e-3, 200.0), (1.0, 251.8), (100.0, 293.6)])
def test_voltage_at_current(current_a: float, voltage_v: float) -> None:
    """200 V at 1 mA and an exponent of 30 give 251.8 V at 1 A and 293.6 V at 100 A."""
    assert varistor_voltage_v(CLASS_130, current_a) == pytest.approx(voltage_v, abs=0.05)


def test_exponent_from_a_data_sheet_pair() -> None:
    """200 V at 1 mA and 340 V at 100 A are an exponent of 21.7."""
    assert exponent_between((200.0, 1e-3), (340.0, 100.0)) == pytest.approx(21.7, abs=0.05)


def test_right_line_does_not_see_it() -> None:
    """100 V and 10 % more, 155.6 V peak, draw 0.53 uA through a part of the 130 V class."""
    current_a = varistor_current_a(CLASS_130, peak_v(110.0))

    assert current_a == pytest.approx(0.53e-6, rel=0.01)


def test_wrong_line_drives_it_into_heavy_conduction() -> None:
    """230 V, 325.3 V peak, would draw 2.2 kA through a part of the 130 V class."""
    current_a = varistor_current_a(CLASS_130, peak_v(230.0))

    assert current_a == pytest.approx(2.2e3, rel=0.02)


@pytest.mark.parametrize("series_ohm", [0.01, 0.1, 1.0, 10.0, 1e3])
def test_only_the_source_limits_it(series_ohm: float) -> None:
    """Behind a resistance, the law of Ohm and the power law hold at once."""
    open_v = peak_v(230.0)
    across_v = voltage_behind_v(CLASS_130, open_v, series_ohm)

    assert across_v < open_v
    assert varistor_current_a(CLASS_130, across_v) == pytest.approx(
        (open_v - across_v) / series_ohm, rel=1e-6
    )
