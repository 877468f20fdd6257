from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.rehearse.charge_parts import Battery, typical_battery
from tests.unit.test_charger_output import output

CURVE = ((0.0, 10.0), (0.5, 12.0), (1.0, 13.0), (1.2, 12.6))


class TestBattery:
    @pytest.mark.parametrize(
        ("charged", "emf_v", "rise_v"),
        [(0.0, 10.0, 4.0), (0.25, 11.0, 4.0), (0.75, 12.5, 2.0), (1.1, 12.8, -2.0)],
    )
    def test_its_emf_goes_in_straight_lines(
        self, charged: float, emf_v: float, rise_v: float
    ) -> None:
        """Between two points of its curve as much as the share of the way; worked out by hand."""
        battery = Battery(capacity_c=3600.0, resistance_ohm=0.1, curve=CURVE)

        assert battery.emf_v(charged) == pytest.approx(emf_v)
        assert battery.rise_v(charged) == pytest.approx(rise_v)

    @given(st.floats(-1.0, 3.0))
    def test_it_is_never_the_wrong_way_round(self, charged: float) -> None:
        """However empty, no EMF is below zero."""
        assert Battery(capacity_c=1.0, resistance_ohm=0.1, curve=CURVE).emf_v(charged) >= 0.0


class TestTypicalBattery:
    def test_by_taper_it_is_full_at_the_highest_voltage(self) -> None:
        """The current ends where the EMF is the voltage that the charger holds."""
        assert typical_battery(output()).emf_v(1.0) == pytest.approx(18.0)

    def test_by_drop_its_voltage_falls_once_it_is_full(self) -> None:
        """It never reaches the highest voltage, and falls by more than the drop."""
        charger = output(end_current=None, end_drop="80 mV")
        battery = typical_battery(charger)

        assert battery.emf_v(1.0) + 2.0 * battery.resistance_ohm < 18.0
        assert battery.emf_v(1.0) - battery.emf_v(1.2) > 0.08
