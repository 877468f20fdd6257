"""What the inrush watch works out and says, against figures worked out by hand beside each test."""

from __future__ import annotations

import math

import pytest

from harness.bench.sample import SupplySample
from harness.power.trip import TripReason
from harness.profile.allowance import InrushAllowance
from tests.power import test_inrush_monitor
from tests.power.test_inrush_monitor import (
    LIMIT_A,
    charge_budget,
    energy_budget,
    sample,
    watch,
)


class TestUsed:
    @pytest.mark.parametrize(
        ("voltage_v", "healthy_a"),
        [
            (7.1, 0.012),  # below the threshold of 7.2 V: the leakage
            (7.2, 0.6 / 7.2),  # from it on: the idle power over the voltage
            (12.0, 0.6 / 12.0),
        ],
    )
    def test_charge_less_draw_and_error(self, voltage_v: float, healthy_a: float) -> None:
        """Two readings of 100 mA, each up to 2 mA and 1 % too high, 5 ms apart.

        5 ms x (100 mA - 2 mA - 1 mA - what a healthy unit draws).
        """
        follower = watch(
            charge_budget(
                from_v=voltage_v, to_v=18.0, current_error_a=0.002, current_error_frac=0.01
            )
        )

        assert follower.add(sample(0.0, voltage_v, 0.1)) is None
        assert follower.add(sample(0.005, voltage_v, 0.1)) is None
        assert follower.used == pytest.approx(0.005 * (0.1 - 0.003 - healthy_a), rel=1e-9)

    @pytest.mark.parametrize(
        ("voltage_v", "expected_w"),
        [
            (54.0, 5.4 - (0.003 + 0.012) * 54.0),  # below the threshold of 55 V
            (55.0, 5.5 - 0.003 * 55.0 - 2.0),  # from it on
            (100.0, 10.0 - 0.003 * 100.0 - 2.0),
        ],
    )
    def test_energy_less_draw_and_error(self, voltage_v: float, expected_w: float) -> None:
        """Two readings of 100 mA in phase, each up to 2 mA and 1 % too high, 50 ms apart."""
        follower = watch(
            energy_budget(
                from_v=voltage_v, to_v=120.0, current_error_a=0.002, current_error_frac=0.01
            )
        )

        assert follower.add(sample(0.0, voltage_v, 0.1)) is None
        assert follower.add(sample(0.05, voltage_v, 0.1)) is None
        assert follower.used == pytest.approx(0.05 * expected_w, rel=1e-9)

    def test_three_fifths_of_the_limit_are_no_limiting_unless_the_status_says_so(self) -> None:
        """Without a bit 97 % of the limit count as limiting, with one half of it does."""
        quiet, told = watch(None, time_at_limit_s=1.0), watch(None, time_at_limit_s=1.0)
        for time_s in (0.0, 0.5):
            assert quiet.add(sample(time_s, 3.0, 0.6 * LIMIT_A)) is None
            assert told.add(sample(time_s, 3.0, 0.6 * LIMIT_A, limiting=True)) is None

        assert (quiet.used, told.used) == (0.0, 0.5)

    @pytest.mark.parametrize(("limiting", "share"), [(True, 0.5), (None, 0.97)])
    def test_exactly_the_share_counts_as_limiting(
        self, limiting: bool | None, share: float
    ) -> None:
        """The share itself is at the limit; what may be used stands beside what was used."""
        follower = watch(None, time_at_limit_s=1.0)
        for time_s in (0.0, 0.5):
            follower.add(sample(time_s, 3.0, share * LIMIT_A, limiting=limiting))

        assert (follower.used, follower.allowed) == (0.5, 1.0)

    def test_the_first_reading_counts_no_time(self) -> None:
        """What was before the first reading of a level is no time in its limit."""
        follower = watch(None, time_at_limit_s=1.0)

        assert follower.add(sample(5.0, 3.0, LIMIT_A)) is None
        assert (follower.used, follower.allowed) == (0.0, math.inf)

    def test_a_budget_used_to_the_last_is_not_passed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """What is allowed may be used up; a hair more cuts power."""
        used_c = 0.5 * 0.005 * (0.288 + 0.288)  # two readings of 300 mA, 12 mA of them explained
        for allowed_c, passed in ((used_c, False), (math.nextafter(used_c, 0.0), True)):
            monkeypatch.setattr(InrushAllowance, "slack", lambda *_, c=allowed_c: c)
            follower = watch(charge_budget(from_v=12.0, to_v=18.0))
            follower.add(sample(0.0, 0.3, LIMIT_A))
            finding = follower.add(sample(0.005, 0.3, LIMIT_A))

            assert follower.used == used_c
            assert (finding is not None) is passed


class TestWords:
    def test_charge(self) -> None:
        """A charge budget that is passed: how much, how many readings, what is allowed, where."""
        follower = watch(charge_budget(from_v=12.0, to_v=18.0))
        findings = [follower.add(sample(tick * 0.005, 0.312345, 0.298765)) for tick in range(3)]

        # 2 x 5 ms x (298.765 - 12) mA; 470 uF x 6 V / 10 + 300 mA x 5 ms.
        assert findings[-1] == (
            TripReason.CHARGE_BUDGET,
            "2.87 mC unexplained after 3 readings, 1.78 mC allowed; 299 mA at 312 mV",
        )

    def test_energy(self) -> None:
        """The same of an energy budget."""
        follower = watch(energy_budget(from_v=12.0, to_v=30.0))
        findings = [follower.add(sample(tick * 0.05, 12.0, LIMIT_A)) for tick in range(3)]

        # 2 x 50 ms x (3.6 - 0.144) W; a tenth of the level, and 300 mA x 12 V x 50 ms.
        tenth_j = 0.1 * 0.5 * 150e-6 * 2 * (30.0**2 - 12.0**2)
        assert tenth_j + 0.3 * 12.0 * 0.05 == pytest.approx(0.191, abs=5e-4)
        assert findings[-1] == (
            TripReason.ENERGY_BUDGET,
            "346 mJ unexplained after 3 readings, 191 mJ allowed; 300 mA at 12 V",
        )

    def test_time_at_the_limit(self) -> None:
        """A level without a budget: how long in the limit, at which voltage, what is allowed."""
        follower = watch(None, time_at_limit_s=0.12345)
        follower.add(sample(0.0, 3.21345, LIMIT_A))

        assert follower.add(sample(0.15432, 3.21345, LIMIT_A)) == (
            TripReason.TIME_AT_LIMIT,
            "in current limit for 0.154 s at 3.21 V, 0.123 s allowed",
        )

    def test_current_that_flows_back(self) -> None:
        """Current, power, voltage and setting."""
        reading = SupplySample(0.0, 23.4567, -0.34567, -8.10827, None, False)  # noqa: FBT003

        assert test_inrush_monitor.TestReverse.watch(23.4321).add(reading) == (
            TripReason.REVERSED_CURRENT,
            "-346 mA and -8.11 W read at 23.5 V, where 23.4 V is set",
        )


class TestPresence:
    """What counts as current that flows, and as voltage that is there."""

    def test_current_within_the_error_is_none(self) -> None:
        """Three errors of 5 mA are none yet, a hair more is."""
        follower = test_inrush_monitor.TestReverse.watch(24.0)

        assert not follower.flows(sample(0.0, 24.0, 3 * 0.005))
        assert follower.flows(sample(0.0, 24.0, 0.01501))

    def test_nine_tenths_of_the_setting_are_there(self) -> None:
        """The voltage is there from nine tenths of its setting on."""
        follower = test_inrush_monitor.TestReverse.watch(24.0)

        assert follower.stands(sample(0.0, 0.9 * 24.0, 0.0))
        assert not follower.stands(sample(0.0, 21.59, 0.0))


class TestReverseStays:
    def test_two_readings_above_the_setting_excuse_nothing_afterwards(self) -> None:
        """A voltage that stood above its setting, with nothing lowered, is no charge given back."""
        follower = test_inrush_monitor.TestReverse.watch(24.0)
        for time_s in (0.0, 0.1):
            assert follower.add(sample(time_s, 25.0, 0.1)) is None

        assert follower.add(sample(0.2, 25.0, -0.2)) is not None


class TestInterval:
    def test_what_is_drawn_between_two_readings_is_their_mean(self) -> None:
        """100 mA, then 300 mA 4 ms later, less 12 mA of leakage: 0.75 mC, less what 0 V explain."""
        follower = watch(charge_budget())
        follower.add(sample(0.0, 2.4, 0.1))
        follower.add(sample(0.004, 2.4, 0.3))

        assert follower.used == pytest.approx(0.004 * (0.2 - 0.012), rel=1e-9)

    def test_the_longest_interval_counts_though_the_voltage_rises_in_a_shorter_one(self) -> None:
        """Readings 4 ms and then 2 ms apart, the last one higher: 4 ms stay unseen."""
        follower = watch(charge_budget())
        for time_s, voltage_v in ((0.0, 2.4), (0.004, 2.4), (0.006, 3.0)):
            follower.add(sample(time_s, voltage_v, 0.0))

        assert follower.allowed == pytest.approx(0.1 * 470e-6 * 3.6 + LIMIT_A * 0.004, rel=1e-9)

    def test_power_that_was_not_seen_came_at_the_highest_voltage_read(self) -> None:
        """Readings at 12 V, 12 V and 20 V, then 15 V: what is averaged away came at 20 V."""
        follower = watch(energy_budget())
        for number, voltage_v in enumerate((12.0, 12.0, 20.0, 15.0)):
            follower.add(sample(number * 0.005, voltage_v, 0.0))
        healthy_j = 0.5 * 150e-6 * 2 * (30.0**2 - 12.0**2)

        assert follower.allowed == pytest.approx(0.1 * healthy_j + LIMIT_A * 0.05 * 20.0, rel=1e-9)
