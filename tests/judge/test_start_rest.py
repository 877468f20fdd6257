"""What a unit draws at rest, level by level: closed formulas, and what is said where nothing is."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.judge.start_curve import LevelReadings, ReadingError, StartFigures, SupplyErrors
from harness.judge.start_energy import AcUnit
from harness.judge.start_rest import IDLE_POWER, LEAKAGE_CURRENT, weigh_idle, weigh_leak
from harness.judge.uncertainty import FloatArray, combine

VOLTS = ReadingError(gain_frac=1e-3, offset=0.1)
AMPERES = ReadingError(gain_frac=2e-3, offset=1e-3)
WATTS = ReadingError(gain_frac=3e-3, offset=0.2)
DC = SupplyErrors(voltage=VOLTS, current=AMPERES)
AC = SupplyErrors(voltage=VOLTS, current=AMPERES, power=WATTS)
UNIT = AcUnit(
    threshold_v=55.0, idle_power_w=2.0, frequency_hz=60.0, most_series_ohm=14.1, bulk_f=150e-6
)


def level(
    volts: float, amperes: float | FloatArray, watts: float | None = None, *, count: int = 30
) -> LevelReadings:
    """One level, held for so many readings a second apart."""
    current_a = np.broadcast_to(amperes, count).astype(float)
    return LevelReadings(
        label=f"{volts:g} V",
        set_v=volts,
        limit_a=0.5,
        set_s=0.0,
        times_s=np.arange(float(count)),
        voltage_v=np.full(count, volts),
        current_a=current_a,
        power_w=volts * current_a if watts is None else np.full(count, watts),
    )


def figure(told: StartFigures, measure: str, label: str) -> tuple[float, float]:
    """Value and expanded uncertainty of what a level tells."""
    estimate = told.told(measure, label)
    return estimate.value, combine(estimate.contributions).expanded


class TestLeak:
    def test_of_a_dc_unit_is_the_current_of_each_level(self) -> None:
        """Two bounds on 3 mA: U = 1.96 sqrt((6 uA)^2 + (1 mA)^2) / sqrt(3) (JCGM 100, 4.3.7)."""
        told = weigh_leak([level(2.4, 1e-3), level(6.0, 3e-3)], DC)

        assert figure(told, LEAKAGE_CURRENT, "2.4 V")[0] == pytest.approx(1e-3)
        assert figure(told, LEAKAGE_CURRENT, "6 V") == pytest.approx((3e-3, 1.13163e-3), rel=1e-4)
        assert told.told(LEAKAGE_CURRENT) == told.told(LEAKAGE_CURRENT, "6 V")

    def test_is_that_of_the_end_of_a_level(self) -> None:
        """What charges the capacitor is no leak: only the last third counts."""
        amperes = np.where(np.arange(30) < 20, 0.1, 2e-3)

        told = weigh_leak([level(6.0, amperes)], DC)

        assert figure(told, LEAKAGE_CURRENT, "6 V")[0] == pytest.approx(2e-3)

    @pytest.mark.parametrize("leak_a", [1e-4, 2e-3, 2e-2])
    def test_of_an_ac_unit_is_power_over_what_its_capacitor_holds(self, leak_a: float) -> None:
        """A charge Q each half-cycle, taken evenly from the valley to the peak: W = Q v.

        The valley by the ripple I / (2 f C) of a rectifier (textbook).
        """
        peak_v = 46.8 * math.sqrt(2.0)
        mean_v = peak_v - 0.5 * leak_a / (2.0 * 60.0 * 150e-6)
        told = weigh_leak([level(46.8, 0.05, leak_a * mean_v)], AC, UNIT)
        value, expanded = figure(told, LEAKAGE_CURRENT, "46.8 V")

        # 0.2 W over 66 V, rectangular: 3.5 mA, and next to nothing else at small leaks
        assert abs(value - leak_a) <= 0.02 * leak_a
        assert expanded == pytest.approx(3.5e-3, rel=0.06)

    def test_of_an_ac_unit_less_half_of_what_may_come_late(self) -> None:
        """By hand: 1.3 W at 66.2 V peak, less 1.5 % and half the ripple of 1.09 V; nine seconds.

        Diodes let n k T / q C / t = 0.104 V 150 uF / 9 s through late, at most (textbook).
        """
        told = weigh_leak([level(46.8, 0.05, 1.3)], AC, UNIT)
        peak_v = 46.8 * math.sqrt(2.0)
        flows_v = peak_v * 0.985 - 0.5 * 1.3 / peak_v / (2.0 * 60.0 * 150e-6)
        late_a = 0.104 * 150e-6 / 9.0

        found = figure(told, LEAKAGE_CURRENT, "46.8 V")[0]
        assert found == pytest.approx(1.3 / flows_v - 0.5 * late_a, rel=1e-6)

    def test_what_the_filter_takes_is_no_leak(self) -> None:
        """A reactive current draws no power, however large."""
        told = weigh_leak([level(46.8, 0.5, 0.0)], AC, UNIT)

        assert figure(told, LEAKAGE_CURRENT, "46.8 V")[0] == pytest.approx(0.0, abs=1e-6)


class TestIdle:
    def test_of_a_dc_unit_is_voltage_times_current(self) -> None:
        """At 12 V and 50 mA, by hand: gains of 0.6 W, 0.1 V of 50 mA, and 1 mA of 12 V."""
        told = weigh_idle([level(12.0, 0.05), level(24.0, 0.025)], DC)
        bounds_w = (6e-4, 1.2e-3, 5e-3, 12e-3)
        expected = 1.96 * math.hypot(*bounds_w) / math.sqrt(3.0)

        assert figure(told, IDLE_POWER, "12 V") == pytest.approx((0.6, expected), rel=1e-3)
        assert told.told(IDLE_POWER) == told.told(IDLE_POWER, "24 V")

    def test_of_an_ac_unit_is_its_real_power(self) -> None:
        """1.6 W to 0.3 % and 0.2 W."""
        told = weigh_idle([level(120.0, 0.05, 1.6)], AC, ac=True)
        expected = 1.96 * math.hypot(4.8e-3, 0.2) / math.sqrt(3.0)

        assert figure(told, IDLE_POWER, "120 V") == pytest.approx((1.6, expected), rel=1e-3)

    @pytest.mark.parametrize("ac", [False, True])
    def test_is_right_as_often_as_it_says(self, *, ac: bool) -> None:
        """Of 100 random cases 93 hold the true power: gains and offsets anywhere, and noise."""
        inside = 0
        for seed in range(100):
            rng = np.random.default_rng(seed)
            volts, watts = rng.uniform(10.0, 120.0), rng.uniform(0.1, 3.0)
            read = level(volts, watts / volts, count=int(rng.integers(15, 200)))
            gains, offsets = rng.uniform(-1.0, 1.0, (2, 3))
            shown = {
                name: getattr(read, name) * (1.0 + error.gain_frac * gain)
                + error.offset * (offset + rng.normal(0.0, 0.5, read.times_s.size))
                for (name, error), gain, offset in zip(
                    (("voltage_v", VOLTS), ("current_a", AMPERES), ("power_w", WATTS)),
                    gains,
                    offsets,
                    strict=True,
                )
            }
            if not ac:
                shown["power_w"] = shown["voltage_v"] * shown["current_a"]
            told = weigh_idle([replace(read, **shown)], AC if ac else DC, ac=ac)
            value, expanded = figure(told, IDLE_POWER, read.label)
            inside += abs(value - watts) <= expanded

        assert inside >= 93


class TestNoFigure:
    def test_without_a_level(self) -> None:
        """Where no level lies on that side of the threshold, it says so."""
        assert "lies below" in weigh_leak([], DC).why_not[LEAKAGE_CURRENT]
        assert "lies above" in weigh_idle([], DC).why_not[IDLE_POWER]

    def test_one_level_that_was_left_too_soon(self) -> None:
        """It says why, the other levels tell all the same, and a check of the start has none."""
        told = weigh_leak([level(2.4, 1e-3), level(6.0, 1e-3, count=9)], DC)

        assert told.told(LEAKAGE_CURRENT, "6 V").why_not == "6 V: only 9 readings"
        assert told.told(LEAKAGE_CURRENT).why_not == "6 V: only 9 readings"
        assert told.told(LEAKAGE_CURRENT, "2.4 V").value == pytest.approx(1e-3)

    @pytest.mark.parametrize("ac", [False, True])
    def test_without_an_accuracy(self, *, ac: bool) -> None:
        """What nobody states an accuracy of is not told."""
        nothing, one = SupplyErrors(voltage=None, current=None), [level(6.0, 1e-3)]

        assert "accuracy" in weigh_leak(one, nothing, UNIT if ac else None).why_not[LEAKAGE_CURRENT]
        assert "accuracy" in weigh_idle(one, nothing, ac=ac).why_not[IDLE_POWER]

    def test_a_level_that_was_not_read(self) -> None:
        """A level that the start does not have tells nothing."""
        told = weigh_leak([level(6.0, 1e-3)], DC)

        assert told.told(LEAKAGE_CURRENT, "12 V").why_not == "the readings do not tell it"
