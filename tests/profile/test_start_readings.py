"""Readings that a healthy unit's start would give, held against closed formulas."""

from __future__ import annotations

import numpy as np
import pytest

from harness.judge.start_curve import ReadingError, SupplyErrors
from harness.profile.level import Level
from harness.profile.start_readings import below_threshold, dc_readings, rise_s
from tests.profile.test_start_levels import dc

EXACT = ReadingError(gain_frac=0.0, offset=0.0)


def errors(**changes: object) -> SupplyErrors:
    """A supply that reads exactly, a pair each millisecond, with 220 uF of its own."""
    keys = {"voltage": EXACT, "current": EXACT, "own_capacitance_f": 220e-6, "reading_s": 1e-3}
    return SupplyErrors(**{**keys, **changes})  # type: ignore[arg-type]


def level(volts: float, limit_a: float = 0.02) -> Level:
    """A level held for a second."""
    return Level(label=f"{volts:g} V", voltage_v=volts, current_limit_a=limit_a, dwell_s=1.0)


LEVELS = (level(2.4), level(6.0, 0.3), level(12.0, 0.3), level(24.0, 0.3))


class TestDcReadings:
    def test_the_voltage_rises_by_the_charge_over_both_capacitances(self) -> None:
        """At constant current dv/dt = I / (C + C0): 20 mA over 690 uF, 29 V/s (textbook)."""
        first, *_ = dc_readings(LEVELS, dc(), errors())
        rising = (first.voltage_v > 0.5) & (first.voltage_v < 2.3)

        slope = np.polyfit(first.times_s[rising], first.voltage_v[rising], 1)[0]

        assert slope == pytest.approx(0.02 / 690e-6, rel=0.01)
        assert first.current_a[rising] == pytest.approx(0.02)

    def test_the_charge_that_is_read_is_what_fills_both(self) -> None:
        """The integral of the current is (C + C0) V, and what leak and diode add (Q = C V)."""
        first, *_ = dc_readings(LEVELS, dc(), errors(reading_s=1e-4))

        charge_c = np.trapezoid(first.current_a, first.times_s)

        assert 1.0 <= charge_c / (690e-6 * 2.4) <= 1.07

    def test_it_comes_to_rest_at_what_leaks(self) -> None:
        """At rest the leak of data sheets flows, 0.01 C V at nominal voltage; or the stated one."""
        _, second, *_ = dc_readings(LEVELS, dc(), errors())
        _, stated, *_ = dc_readings(LEVELS, dc(leakage="2 mA"), errors())

        assert second.voltage_v[-1] == pytest.approx(6.0)
        assert second.current_a[-1] == pytest.approx(0.01 * 470e-6 * 6.0, rel=0.1)
        assert stated.current_a[-1] == pytest.approx(2e-3 * 6.0 / 24.0, rel=0.1)

    def test_only_levels_below_the_threshold_weigh_the_capacitor(self) -> None:
        """Where the converter works, what flows does not charge the capacitor alone."""
        assert [each.voltage_v for each in below_threshold(LEVELS, dc())] == [2.4, 6.0]

    def test_from_the_threshold_on_the_converter_draws_its_power(self) -> None:
        """1 W at 24 V, and what leaks, 0.01 C V; of a unit that works in phases the middle."""
        leak_a = 0.01 * 470e-6 * 24.0
        last, busy = (
            dc_readings(LEVELS, dc(idle_power="1 W", **more), errors())[-1]
            for more in ({}, {"busy_power": "5 W"})
        )

        assert last.current_a[-1] == pytest.approx(1.0 / 24.0 + leak_a, rel=1e-3)
        assert busy.current_a[-1] == pytest.approx(3.0 / 24.0 + leak_a, rel=1e-3)

    def test_levels_follow_each_other(self) -> None:
        """Each level is set when the last reading of the one before has come."""
        first, second, *_ = dc_readings(LEVELS, dc(), errors())

        assert second.set_s == first.times_s[-1]
        assert second.times_s[0] - second.set_s == pytest.approx(2e-3)

    def test_readings_scatter_and_come_in_digits(self) -> None:
        """Noise is a share of the fixed error, digits are the display's; same seed, same noise."""
        coarse = ReadingError(gain_frac=0.0, offset=2e-3, digit=1e-3)
        read = [dc_readings(LEVELS, dc(), errors(current=coarse), seed=seed) for seed in (1, 1, 2)]
        first, same, other = (levels[0].current_a for levels in read)

        assert np.array_equal(first, same)
        assert not np.array_equal(first, other)
        assert np.allclose(first * 1e3, np.round(first * 1e3))

    def test_a_supply_without_an_accuracy_is_read_as_it_is(self) -> None:
        """Where nobody states an accuracy there is nothing to scatter by."""
        first, *_ = dc_readings(LEVELS, dc(), errors(voltage=None))

        assert first.voltage_v[-1] == pytest.approx(2.4)

    def test_a_long_rise_is_no_endless_table(self) -> None:
        """However slow a limit, there are at most so many readings."""
        (first,) = dc_readings((level(2.4, 1e-4),), dc(), errors(reading_s=1e-4))

        assert len(first.times_s) <= 2000
        assert first.voltage_v[-1] == pytest.approx(2.4, rel=0.01)


class TestRise:
    def test_it_is_charge_over_current(self) -> None:
        """470 uF from 2.4 V to 6 V at 20 mA take 84.6 ms (t = C V / I, by hand)."""
        assert rise_s(level(6.0), 2.4, 470e-6) == pytest.approx(0.0846)
