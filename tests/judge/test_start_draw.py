"""The voltage at which a converter begins: between two levels that were held."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors
from harness.judge.start_draw import (
    BEGIN_VOLTAGE,
    ENERGY,
    SWITCH_ON_CURRENT,
    weigh_begin,
    weigh_energy,
    weigh_switch_on,
)
from harness.judge.uncertainty import combine

VOLTS = ReadingError(gain_frac=1e-3, offset=0.1)


def held(draws_w: Mapping[float, float]) -> list[LevelReadings]:
    """Levels by their voltage, with what is drawn at each."""
    return [
        LevelReadings(
            label=f"{volts:g} V",
            set_v=volts,
            limit_a=0.5,
            set_s=0.0,
            times_s=np.arange(30.0),
            voltage_v=np.full(30, volts),
            current_a=np.zeros(30),
            power_w=np.full(30, power_w),
        )
        for volts, power_w in draws_w.items()
    ]


class TestBegin:
    @pytest.mark.parametrize("offset_w", [-0.2, 0.0, 0.2])
    def test_lies_between_two_levels(self, offset_w: float) -> None:
        """The interval is that between the level without the draw and the one with it."""
        draws = {12.0: 0.0, 30.0: 0.0, 46.8: 0.01, 60.0: 1.5, 120.0: 1.6}
        levels = held({volts: watts + offset_w for volts, watts in draws.items()})

        found = weigh_begin(levels, VOLTS, 2.0).estimates[BEGIN_VOLTAGE]

        assert found.value == pytest.approx(53.4)
        # 6.6 V rectangular, and 0.15 V of the supply: U = 1.96 sqrt(6.6^2 + 0.1534^2) / sqrt(3)
        assert combine(found.contributions).expanded == pytest.approx(7.4704, rel=1e-3)

    @pytest.mark.parametrize("siemens", [1e-5, 1e-4])
    def test_is_found_beside_a_leak(self, siemens: float) -> None:
        """A converter that begins on top of a leak is found all the same."""
        runs = {volts: 1.6 * (volts > 50.0) for volts in (12.0, 30.0, 46.8, 60.0, 120.0)}
        draws = {volts: watts + siemens * volts**2 for volts, watts in runs.items()}

        found = weigh_begin(held(draws), VOLTS, 2.0).estimates[BEGIN_VOLTAGE]

        assert found.value == pytest.approx(53.4)

    @pytest.mark.parametrize("watts", [0.0, 5.0, 40.0])
    def test_a_leak_is_no_converter(self, watts: float) -> None:
        """What rises with the square of the voltage is no step."""
        draws = {volts: watts * (volts / 120.0) ** 2 for volts in (12.0, 30.0, 60.0, 90.0, 120.0)}
        assert BEGIN_VOLTAGE not in weigh_begin(held(draws), VOLTS, 2.0).estimates

    def test_one_level(self) -> None:
        """One level shows no step."""
        assert "Only one level" in weigh_begin(held({24.0: 1.0}), VOLTS, 2.0).why_not[BEGIN_VOLTAGE]

    def test_no_step(self) -> None:
        """A unit that draws alike everywhere begins below, or not at all."""
        found = weigh_begin(held({12.0: 2.0, 24.0: 2.0}), VOLTS, 2.0)

        assert "no step" in found.why_not[BEGIN_VOLTAGE]

    def test_no_accuracy(self) -> None:
        """Without an accuracy of the voltage the interval has no honest ends."""
        assert (
            "accuracy" in weigh_begin(held({1.0: 0.0, 2.0: 2.0}), None, 2.0).why_not[BEGIN_VOLTAGE]
        )


class TestEnergy:
    def test_is_power_over_time(self) -> None:
        """2 W for 29 s are 58 J; 0.3 % and 0.2 W are bounds (JCGM 100:2008, 4.3.7 and 5.1.2)."""
        power = ReadingError(gain_frac=3e-3, offset=0.2)
        errors = SupplyErrors(voltage=VOLTS, current=None, power=power, own_capacitance_f=0.0)
        found = weigh_energy(held({12.0: 2.0}), errors).estimates[ENERGY]

        assert found.value == pytest.approx(58.0)
        # U = 1.96 sqrt((0.003 * 58)^2 + (0.2 * 29)^2) / sqrt(3) J
        assert combine(found.contributions).expanded == pytest.approx(6.566, rel=1e-3)

    def test_voltage_times_current_where_no_power_is_read(self) -> None:
        """Their gains add, and each offset counts with the other quantity."""
        amperes = ReadingError(gain_frac=2e-3, offset=1e-3)
        errors = SupplyErrors(voltage=VOLTS, current=amperes, own_capacitance_f=0.0)
        found = weigh_energy(held({12.0: 2.0}), errors).estimates[ENERGY]

        # 3e-3 of 58 J; 0.1 V of no charge; 1 mA of 12 V for 29 s
        assert combine(found.contributions).expanded == pytest.approx(0.4404, rel=1e-3)

    def test_readings_below_zero_have_their_uncertainty(self) -> None:
        """Through an open diode nothing flows, and what a supply reads then lies about zero."""
        amperes = ReadingError(gain_frac=2e-3, offset=1e-3)
        errors = SupplyErrors(voltage=VOLTS, current=amperes, own_capacitance_f=0.0)
        [level] = held({12.0: 0.0})
        below = replace(level, current_a=np.full(30, -1e-4))

        found = weigh_energy([below], errors).estimates[ENERGY]

        same = weigh_energy([replace(level, current_a=np.full(30, 1e-4))], errors)
        expected = combine(same.estimates[ENERGY].contributions).expanded
        assert combine(found.contributions).expanded == pytest.approx(expected)

    def test_half_of_what_falls_before_a_first_reading_is_taken(self) -> None:
        """A level read 0.2 s after its setting may take its limit times its voltage until then.

        By hand: 0.5 A x 12 V x 0.2 s = 1.2 J at most, so 0.6 J, rectangular to either side; and
        2 W for 29 s (JCGM 100:2008, 4.3.7).
        """
        exact = ReadingError(gain_frac=0.0, offset=0.0)
        (level,) = held({12.0: 2.0})
        late = replace(level, times_s=level.times_s + 0.2)
        found = weigh_energy(
            [late], SupplyErrors(voltage=exact, current=exact, own_capacitance_f=0.0)
        ).estimates[ENERGY]

        assert found.value == pytest.approx(58.0 + 0.6)
        assert combine(found.contributions).expanded == pytest.approx(1.96 * 0.6 / 3**0.5, rel=1e-3)

    def test_an_ac_source_may_give_four_times_its_limit_meanwhile(self) -> None:
        """Half of a peak of 17 V and one of 2 A, for what a window of 0.1 s leaves of 0.2 s.

        By hand: 4 x 0.5 A x 12 V x sqrt(2) / 2 x 0.1 s = 1.70 J at most.
        """
        exact = ReadingError(gain_frac=0.0, offset=0.0)
        (level,) = held({12.0: 0.0})
        late = replace(level, times_s=level.times_s + 0.2)
        errors = SupplyErrors(voltage=exact, current=exact, power=exact, window_s=0.1)
        found = weigh_energy([late], errors, frequency_hz=50.0).estimates[ENERGY]

        assert found.value == pytest.approx(0.8485, rel=1e-3)

    def test_what_the_supply_itself_takes_is_left_out(self) -> None:
        """220 uF at 12 V take 15.84 mJ, known to 0.72 mJ with 10 uF (E = C V^2 / 2, by hand)."""
        exact = ReadingError(gain_frac=0.0, offset=0.0)
        errors = SupplyErrors(
            voltage=exact,
            current=exact,
            own_capacitance_f=220e-6,
            own_capacitance_error_f=10e-6,
        )
        found = weigh_energy(held({12.0: 2.0}), errors).estimates[ENERGY]

        assert found.value == pytest.approx(58.0 - 15.84e-3)
        expanded = combine(found.contributions).expanded
        assert expanded == pytest.approx(1.96 * 0.72e-3 / 3**0.5, rel=1e-3)

    def test_a_supply_whose_own_capacitor_is_not_known_gives_no_figure(self) -> None:
        """Nobody knows then what of it the unit has taken; of an AC source there is none."""
        exact = ReadingError(gain_frac=0.0, offset=0.0)
        errors = SupplyErrors(voltage=exact, current=exact)

        assert "output_capacitance" in weigh_energy(held({12.0: 2.0}), errors).why_not[ENERGY]

    def test_windows_that_overlap_are_not_counted_twice(self) -> None:
        """Means over 2 s, read each second: the integral of a moving average is that of what it
        averages (textbook). 10 W for 4 s between 10 s and 14 s are 40 J.
        """
        exact = ReadingError(gain_frac=0.0, offset=0.0)
        (level,) = held({12.0: 0.0})
        edges = np.clip(level.times_s - 10.0, 0.0, 4.0) - np.clip(level.times_s - 12.0, 0.0, 4.0)
        errors = SupplyErrors(voltage=exact, current=exact, power=exact, window_s=2.0)
        told = weigh_energy([replace(level, power_w=5.0 * edges)], errors, frequency_hz=50.0)

        assert told.estimates[ENERGY].value == pytest.approx(40.0, rel=1e-6)

    def test_readings_that_differ_hide_what_lies_between_them(self) -> None:
        """One step of 10 W between two readings a second apart: 5 J either way, rectangular."""
        exact = ReadingError(gain_frac=0.0, offset=0.0)
        (level,) = held({12.0: 0.0})
        stepped = replace(level, power_w=np.where(level.times_s < 10.0, 0.0, 10.0))
        told = weigh_energy(
            [stepped], SupplyErrors(voltage=exact, current=exact, own_capacitance_f=0.0)
        )
        expanded = combine(told.estimates[ENERGY].contributions).expanded

        assert expanded == pytest.approx(1.96 * 5.0 / 3**0.5, rel=1e-3)

    def test_nothing_known(self) -> None:
        """Without any accuracy, or any reading, there is no figure."""
        nothing = SupplyErrors(voltage=None, current=None)

        assert "accuracy" in weigh_energy(held({12.0: 2.0}), nothing).why_not[ENERGY]
        assert "Nothing was read" in weigh_energy([], nothing).why_not[ENERGY]


class TestSwitchOn:
    def test_is_as_well_known_as_the_supply_states(self) -> None:
        """4 A to 1 % and 50 mA, in digits of 0.1 A: two bounds (JCGM 100:2008, 4.3.7, F.2.2.1)."""
        stated = ReadingError(gain_frac=0.01, offset=0.05, digit=0.1)
        found = weigh_switch_on(4.0, stated).estimates[SWITCH_ON_CURRENT]

        assert found.value == 4.0
        # U = 1.96 sqrt(0.09^2 + 0.05^2) / sqrt(3) A
        assert combine(found.contributions).expanded == pytest.approx(0.1165, rel=1e-3)

    def test_without_an_accuracy_there_is_none(self) -> None:
        """A bound that nobody states is none."""
        assert "no accuracy" in weigh_switch_on(4.0, None).why_not[SWITCH_ON_CURRENT]
