from __future__ import annotations

import math

import pytest

from harness.bench.sample import SupplySample
from harness.power.envelope import OperatingEnvelope
from harness.power.inrush_monitor import LevelWatch, ReverseWatch
from harness.power.trip import TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level

LIMIT_A = 0.3


def charge_budget(**changes: object) -> InrushAllowance:
    """Budget of a 24 V DC unit with 470 uF, entering 25 %."""
    budget: dict[str, object] = {
        "kind": "charge",
        "capacitance_f": 470e-6,
        "peak_factor": 1.0,
        "charge_factor": 2.0,
        "from_v": 2.4,
        "to_v": 6.0,
        "idle_power_w": 0.6,
        "threshold_v": 7.2,
        "leakage_a": 0.012,
    }
    return InrushAllowance(**{**budget, **changes})  # type: ignore[arg-type]


def energy_budget(**changes: object) -> InrushAllowance:
    """Budget of a 120 V AC unit with 150 uF, entering 25 %, read over 50 ms."""
    budget: dict[str, object] = {
        "kind": "energy",
        "capacitance_f": 150e-6,
        "peak_factor": math.sqrt(2),
        "charge_factor": 2.0,
        "from_v": 12.0,
        "to_v": 30.0,
        "idle_power_w": 2.0,
        "threshold_v": 55.0,
        "leakage_a": 0.012,
        "window_s": 0.05,
    }
    return InrushAllowance(**{**budget, **changes})  # type: ignore[arg-type]


def watch(budget: InrushAllowance | None, time_at_limit_s: float | None = None) -> LevelWatch:
    level = Level(
        label="25 %",
        voltage_v=6.0,
        current_limit_a=LIMIT_A,
        dwell_s=1.0,
        budget=budget,
        time_at_limit_s=time_at_limit_s,
    )
    return LevelWatch(level)


def sample(
    time_s: float, voltage_v: float, current_a: float, *, limiting: bool | None = None
) -> SupplySample:
    return SupplySample(time_s, voltage_v, current_a, voltage_v * current_a, limiting, False)  # noqa: FBT003


class TestCharge:
    def test_charging_at_the_limit_explains_itself(self) -> None:
        """Current that raises the voltage of the stated capacitance stays within the budget."""
        follower = watch(charge_budget())
        slope = LIMIT_A / 470e-6

        for tick in range(6):
            voltage_v = min(2.4 + slope * tick * 0.001, 6.0)
            assert follower.add(sample(tick * 0.001, voltage_v, LIMIT_A)) is None

    def test_a_short_is_found_within_a_few_readings(self) -> None:
        """Current at the limit that raises no voltage trips by its charge within five readings."""
        follower = watch(charge_budget())
        finding = None
        count = 0
        while finding is None:
            finding = follower.add(sample(count * 0.005, 0.12, LIMIT_A))
            count += 1

        assert finding[0] is TripReason.CHARGE_BUDGET
        assert "unexplained" in finding[1]
        assert count <= 5

    def test_a_part_that_breaks_over_is_found_although_the_voltage_had_risen(self) -> None:
        """When the voltage falls back, what was gained before no longer explains the charge."""
        follower = watch(charge_budget())
        assert follower.add(sample(0.0, 2.4, LIMIT_A)) is None
        assert follower.add(sample(0.005, 5.5, LIMIT_A)) is None
        findings = [follower.add(sample(0.010 + tick * 0.005, 0.2, LIMIT_A)) for tick in range(5)]

        assert any(finding is not None for finding in findings)

    def test_voltage_lost_explains_no_charge(self) -> None:
        """A level's voltage that collapses below the level before it: gone by the third reading.

        1.5 mC a reading, against 0.28 mC (a tenth of 470 uF times 6 V) and 1.5 mC unseen.
        """
        follower = watch(charge_budget(from_v=12.0, to_v=18.0))
        readings = [sample(tick * 0.005, 0.3, LIMIT_A) for tick in range(4)]

        findings = [follower.add(reading) is not None for reading in readings]

        assert findings == [False, False, True, True]

    def test_more_than_the_idle_power_is_unexplained(self) -> None:
        """Half as much again as the idle power over the voltage trips within a few seconds."""
        follower = watch(charge_budget(from_v=6.0, to_v=12.0))

        assert any(
            follower.add(sample(tick * 0.005, 12.0, 1.5 * 0.6 / 12.0)) is not None
            for tick in range(400)
        )

    def test_leakage_below_the_threshold_is_allowed_and_more_is_not(self) -> None:
        """A second of the allowed leakage passes, a second of five times as much does not."""
        allowed, leaking = watch(charge_budget()), watch(charge_budget())
        times = [tick * 0.005 for tick in range(400)]

        assert all(allowed.add(sample(time_s, 6.0, 0.012)) is None for time_s in times)
        assert any(leaking.add(sample(time_s, 6.0, 0.060)) is not None for time_s in times)

    def test_idle_power_is_allowed_only_from_the_threshold_on(self) -> None:
        """Idle power over voltage is allowed above the threshold, and trips below it."""
        above = watch(charge_budget(from_v=6.0, to_v=12.0))
        below = watch(charge_budget())
        times = [tick * 0.005 for tick in range(400)]

        assert all(above.add(sample(time_s, 12.0, 0.6 / 12.0)) is None for time_s in times)
        assert any(below.add(sample(time_s, 6.0, 0.6 / 6.0)) is not None for time_s in times)

    def test_a_capacitor_across_the_supply_is_no_unexplained_charge(self) -> None:
        """220 uF beside 20 uF take their charge with the same voltage; a short raises none."""
        small = charge_budget(capacitance_f=20e-6, from_v=0.0, beside_f=470e-6)
        filling, shorted = watch(small), watch(small)
        times = [tick * 0.001 for tick in range(12)]
        slope = LIMIT_A / 240e-6

        assert all(
            filling.add(sample(time_s, min(slope * time_s, 6.0), LIMIT_A * (slope * time_s < 6.0)))
            is None
            for time_s in times
        )
        assert any(shorted.add(sample(time_s, 0.1, LIMIT_A)) is not None for time_s in times)

    def test_the_supply_s_own_reading_error_is_no_unexplained_charge(self) -> None:
        """An offset within the supply's accuracy does not add up to a trip during a long dwell."""
        follower = watch(charge_budget(current_error_a=0.005))

        assert all(
            follower.add(sample(tick * 0.005, 6.0, 0.012 + 0.005)) is None for tick in range(4000)
        )

    def test_the_bound_is_a_tenth_of_the_level_and_one_interval_at_the_limit(self) -> None:
        """What may stay unexplained is C dV / 10 plus limit times the longest interval."""
        follower = watch(charge_budget())
        follower.add(sample(0.0, 2.4, 0.0))
        follower.add(sample(0.004, 2.4, 0.0))
        follower.add(sample(0.006, 2.4, 0.0))

        assert follower.allowed == pytest.approx(0.1 * 470e-6 * 3.6 + LIMIT_A * 0.004)


class TestEnergy:
    def test_charging_an_ac_unit_explains_itself(self) -> None:
        """The energy of the bulk capacitor, given with its loss, stays within the budget."""
        follower = watch(energy_budget())
        stored_j = 0.5 * 150e-6 * 2 * (30.0**2 - 12.0**2)
        power_w = 2 * stored_j / 0.1

        assert follower.add(SupplySample(0.0, 12.0, 0.1, 0.0, None, False)) is None  # noqa: FBT003
        for tick in range(3):
            reading = SupplySample(0.05 * (tick + 1), 30.0, 0.2, power_w / 2, None, False)  # noqa: FBT003
            assert follower.add(reading) is None

    def test_a_short_is_found_by_its_energy_though_its_power_is_small(self) -> None:
        """A short holds the voltage near zero, so little unseen energy is granted to it."""
        follower = watch(energy_budget(from_v=0.0, to_v=12.0))
        findings = [follower.add(sample(tick * 0.052, 0.1, LIMIT_A)) for tick in range(12)]

        hit = next(finding for finding in findings if finding is not None)
        assert hit[0] is TripReason.ENERGY_BUDGET

    def test_voltage_lost_explains_no_energy(self) -> None:
        """An AC level that collapses below the level before it explains nothing by that.

        A filled capacitor between 30 V and 12 V would be 0.11 J; the tenth and the window are far
        less than what 5 W for a tenth of a second bring.
        """
        budget = energy_budget(from_v=90.0, to_v=120.0)
        follower = watch(budget)
        readings = [sample(tick * 0.052, 1.0, LIMIT_A) for tick in range(40)]
        used_j = [follower.used for reading in readings if follower.add(reading) is None]

        assert used_j == sorted(used_j)
        assert follower.used == pytest.approx(39 * 0.052 * (0.3 * 1.0 - 0.012 * 1.0))

    def test_idle_power_is_allowed_from_the_threshold_on_and_half_more_is_not(self) -> None:
        """Ten seconds of the idle power pass, and of half as much again do not."""
        above = {"from_v": 60.0, "to_v": 90.0}
        allowed, drawing = watch(energy_budget(**above)), watch(energy_budget(**above))
        times = [tick * 0.052 for tick in range(200)]

        assert all(allowed.add(sample(time_s, 90.0, 2.0 / 90.0)) is None for time_s in times)
        assert any(drawing.add(sample(time_s, 90.0, 3.0 / 90.0)) is not None for time_s in times)

    def test_an_offset_of_the_power_reading_is_no_energy(self) -> None:
        """Real power is never above volts times amperes: 120 mW read at no current add up to none.

        Half a watt that volts and amperes bear out is found as before.
        """
        follower, leaking = watch(energy_budget()), watch(energy_budget(leakage_a=0.0))
        times = [tick * 0.052 for tick in range(200)]

        def read(power_w: float, current_a: float, time_s: float) -> SupplySample:
            return SupplySample(time_s, 30.0, current_a, power_w, None, False)  # noqa: FBT003

        assert all(follower.add(read(0.12, 0.0005, time_s)) is None for time_s in times)
        assert any(leaking.add(read(0.5, 0.02, time_s)) is not None for time_s in times)

    def test_time_resolution_is_the_averaging_window(self) -> None:
        """Readings that come faster than their averaging window are granted the window."""
        follower = watch(energy_budget())
        follower.add(sample(0.0, 12.0, 0.0))
        follower.add(sample(0.002, 12.0, 0.0))

        healthy_j = 0.5 * 150e-6 * 2 * (30.0**2 - 12.0**2)
        assert follower.allowed == pytest.approx(0.1 * healthy_j + LIMIT_A * 0.05 * 12.0)


class TestTimeAtLimit:
    def test_limiting_for_too_long_trips(self) -> None:
        """Without a capacitance, time in current limit is what is bounded."""
        follower = watch(None, time_at_limit_s=0.5)
        findings = [
            follower.add(sample(tick * 0.1, 1.0, LIMIT_A, limiting=True)) for tick in range(8)
        ]

        assert findings[:6] == [None] * 6
        assert findings[6] is not None
        assert findings[6][0] is TripReason.TIME_AT_LIMIT

    def test_leaving_the_limit_starts_over(self) -> None:
        """Time at the limit counts from the last moment outside it."""
        follower = watch(None, time_at_limit_s=0.5)

        for tick in range(50):
            limiting = tick % 5 != 0
            current_a = LIMIT_A if limiting else 0.1
            assert follower.add(sample(tick * 0.1, 1.0, current_a, limiting=limiting)) is None

    def test_a_supply_without_that_bit_is_judged_by_its_current(self) -> None:
        """A current at the limit counts as limiting where the status does not say."""
        follower = watch(None, time_at_limit_s=0.2)
        findings = [follower.add(sample(tick * 0.1, 1.0, 0.295)) for tick in range(5)]

        assert any(finding is not None for finding in findings)

    @pytest.mark.parametrize(
        ("current_a", "bit", "found"),
        [(LIMIT_A, False, True), (0.2, True, True), (0.05, True, False), (0.05, False, False)],
    )
    def test_a_bit_that_contradicts_the_current_decides_nothing(
        self, current_a: float, bit: bool, found: bool
    ) -> None:
        """A wrong weight neither hides a supply at its limit nor cuts a unit that draws little."""
        follower = watch(None, time_at_limit_s=0.2)
        findings = [
            follower.add(sample(tick * 0.1, 1.0, current_a, limiting=bit)) for tick in range(6)
        ]

        assert any(finding is not None for finding in findings) is found

    def test_a_level_without_budget_or_time_is_watched_by_the_envelope_alone(self) -> None:
        """With neither budget nor time at the limit, nothing is found."""
        follower = watch(None)

        assert all(follower.add(sample(tick * 1.0, 6.0, LIMIT_A)) is None for tick in range(100))


class TestReverse:
    """Envelope 26.4 V; voltage stated to 23 mV, no current to 5 mA, no power to 0.2 W."""

    @staticmethod
    def watch(set_v: float = 24.0, limit_a: float = 0.3) -> ReverseWatch:
        """Return a watch at a setting."""
        follower = ReverseWatch(
            OperatingEnvelope(
                voltage_v=26.4,
                current_a=1.5,
                power_w=36.0,
                voltage_error_v=0.023,
                current_error_a=0.005,
                power_error_w=0.2,
            )
        )
        follower.set_limit(limit_a)
        follower.set_voltage(set_v)
        return follower

    @pytest.mark.parametrize(
        ("limit_a", "current_a", "tripped"),
        [
            (0.3, -0.015, False),  # three times the error at zero
            (0.3, -0.0151, True),
            (1.5, -0.075, False),  # a twentieth of the limit
            (1.5, -0.0751, True),
            (0.3, 0.3, False),
            (0.3, math.nan, True),
        ],
    )
    def test_clearly_negative_current_is_found_and_noise_about_zero_is_not(
        self, limit_a: float, current_a: float, tripped: bool
    ) -> None:
        """Past three errors at zero and a twentieth of the limit, current flows back."""
        finding = self.watch(limit_a=limit_a).add(sample(0.0, 24.0, current_a))

        assert (finding is not None) is tripped
        if finding is not None:
            assert finding[0] is TripReason.REVERSED_CURRENT

    def test_negative_real_power_is_found_where_the_current_has_no_sign(self) -> None:
        """An rms current has no sign; the real power of an AC source has."""
        rms = [SupplySample(0.0, 24.0, 0.3, power_w, None, False) for power_w in (7.2, -0.3, -7.2)]  # noqa: FBT003

        assert [self.watch().add(reading) is not None for reading in rms] == [False, False, True]

    def test_charge_taken_back_after_a_lower_setting_is_no_finding(self) -> None:
        """Until the voltage is down at its lowered setting a two-quadrant supply takes charge."""
        follower = self.watch(24.0)
        follower.set_voltage(21.6)
        voltages_v = (24.0, 23.0, 22.0, 21.62)  # and one reading that was averaged on the way

        assert [follower.add(sample(0.0, volts, -0.3)) for volts in voltages_v] == [None] * 4
        assert follower.add(sample(0.0, 21.62, -0.3)) is not None

    def test_half_a_per_cent_of_the_envelope_above_its_setting_is_down(self) -> None:
        """Within 0.132 V of its setting the voltage counts as down: current back is found then."""
        follower = self.watch(24.0)
        follower.set_voltage(21.6)

        findings = [follower.add(sample(0.0, 21.7, -0.3)) for _ in range(2)]

        assert [finding is not None for finding in findings] == [False, True]

    def test_setting_the_same_voltage_again_excuses_nothing(self) -> None:
        """Only a lowered setting explains current that flows back."""
        follower = self.watch(24.0)
        follower.set_voltage(24.0)

        assert follower.add(sample(0.0, 24.0, -0.3)) is not None

    def test_a_unit_charged_from_before_gives_charge_back_as_power_comes_on(self) -> None:
        """A unit still at 20 V when power comes on at 2.4 V is no finding; an empty one is."""
        charged, empty = self.watch(2.4), self.watch(2.4)
        charged.switch_on()
        empty.switch_on()

        assert charged.add(sample(0.0, 20.0, -0.3)) is None
        charged.set_voltage(6.0)
        assert charged.add(sample(0.1, 18.0, -0.3)) is None
        assert empty.add(sample(0.0, 0.1, -0.3)) is not None

    def test_a_reading_above_its_setting_alone_excuses_nothing(self) -> None:
        """A unit that feeds back lifts the voltage: without a lowered setting it is found."""
        assert self.watch(24.0).add(sample(0.0, 25.5, -0.2)) is not None


class TestResistorAcrossTheBulk:
    """A resistor that is connected on purpose is no leak; one that nobody stated is."""

    @pytest.mark.parametrize(("stated_ohm", "trips"), [(10e3, False), (math.inf, True)])
    def test_energy(self, stated_ohm: float, trips: bool) -> None:
        """10 kohm at 170 V take 2.9 W beside an idle power of 2 W (P = V^2 / R, textbook)."""
        budget = energy_budget(from_v=90.0, to_v=120.0, across_bulk_ohm=stated_ohm)
        follower = watch(budget)
        power_w = 1.9 + (math.sqrt(2) * 120.0) ** 2 / 10e3
        findings = [
            follower.add(SupplySample(0.05 * n, 120.0, 0.1, power_w, None, False))  # noqa: FBT003
            for n in range(100)
        ]

        assert any(findings) is trips

    @pytest.mark.parametrize(("stated_ohm", "trips"), [(100.0, False), (math.inf, True)])
    def test_charge(self, stated_ohm: float, trips: bool) -> None:
        """100 ohm at 6 V take 60 mA (I = V / R, textbook)."""
        follower = watch(charge_budget(across_bulk_ohm=stated_ohm))
        findings = [follower.add(sample(0.01 * n, 6.0, 0.06)) for n in range(200)]

        assert any(findings) is trips

    def test_a_short_beside_it_is_found(self) -> None:
        """It explains what it draws at the voltage that is read, and nothing more."""
        follower = watch(charge_budget(across_bulk_ohm=100.0))
        findings = [follower.add(sample(0.001 * n, 0.01, LIMIT_A)) for n in range(200)]

        assert any(findings)
