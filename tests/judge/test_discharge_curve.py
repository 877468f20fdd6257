"""Bulk capacitance by the fall of its voltage through a known resistor: closed formulas."""

from __future__ import annotations

import math
import random
from collections import Counter

import numpy as np
import pytest

from harness.judge.discharge_curve import (
    CAPACITANCE,
    STOP_VOLTAGE,
    TIME_CONSTANT,
    TOLD,
    Fall,
    Resistor,
    weigh_discharge,
)
from harness.judge.start_curve import ReadingError
from harness.judge.uncertainty import combine

METER = ReadingError(gain_frac=2e-4, offset=2e-3)
RESISTOR = Resistor(ohm=10e3, error_ohm=100.0)
ROOT2 = math.sqrt(2.0)


def fall(
    bulk_f: float = 150e-6,
    *,
    ohm: float = 10e3,
    own_s: float = 100.0,
    draws_w: float = 0.0,
    stop_v: float = 60.0,
    below_v: float = 15.0,
    apart_s: float = 0.03,
    seed: int = 1,
) -> Fall:
    """Readings of a fall from 168 V: constant power to its stop, resistor and bleeder.

    C dv/dt = -P / v - G v: with u = v^2, u(t) = (u0 + P / G) exp(-2 G t / C) - P / G (textbook).
    """
    rng = random.Random(seed)
    gain, offset = 1.0 + 2e-4 * rng.uniform(-1, 1), 2e-3 * rng.uniform(-1, 1)
    siemens = 1.0 / ohm + bulk_f / own_s
    level = draws_w / siemens
    stop_s = 0.5 * bulk_f / siemens * math.log((168.0**2 + level) / (stop_v**2 + level))
    times_s, volts, time_s = [], [], rng.uniform(0.0, apart_s)
    while not volts or volts[-1] > below_v:
        if draws_w > 0.0 and time_s <= stop_s:
            square = (168.0**2 + level) * math.exp(-2.0 * siemens * time_s / bulk_f) - level
            true_v = math.sqrt(square)
        elif draws_w > 0.0:
            true_v = stop_v * math.exp(-siemens * (time_s - stop_s) / bulk_f)
        else:
            true_v = 168.0 * math.exp(-siemens * time_s / bulk_f)
        times_s.append(time_s)
        volts.append(true_v * gain + offset + rng.gauss(0.0, 1e-4))
        time_s += apart_s
    return Fall(times_s=np.array(times_s), voltage_v=np.array(volts))


class TestCapacitance:
    @pytest.mark.parametrize("draws_w", [0.0, 0.5, 2.0, 20.0])
    @pytest.mark.parametrize("apart_s", [0.002, 0.03, 0.1])
    def test_closed_formula(self, draws_w: float, apart_s: float) -> None:
        """Whatever the converter draws before it stops, the exponential after it tells."""
        found = weigh_discharge(fall(draws_w=draws_w, apart_s=apart_s), METER, RESISTOR, ROOT2)

        estimate = found.estimates[CAPACITANCE]
        assert estimate.value == pytest.approx(150e-6, rel=0.03)
        expanded = combine(estimate.contributions).expanded
        assert abs(estimate.value - 150e-6) <= expanded < 0.06 * 150e-6

    def test_is_right_as_often_as_it_says(self) -> None:
        """Of 100 random cases the true values lie inside their uncertainty in 93 at least."""
        rng, inside = random.Random(3), Counter[str]()
        for seed in range(100):
            bulk_f, stop_v = rng.uniform(47e-6, 330e-6), rng.uniform(40.0, 70.0)
            ohm, own_s = 1e4 * rng.uniform(0.99, 1.01), 1.0 / rng.uniform(1.0 / 500.0, 1.0 / 20.0)
            read = fall(
                bulk_f,
                ohm=ohm,
                own_s=own_s,
                draws_w=rng.uniform(1.0, 3.0),
                stop_v=stop_v,
                apart_s=rng.choice([0.005, 0.03, 0.06]),
                seed=seed,
            )
            found = weigh_discharge(read, METER, RESISTOR, ROOT2).estimates
            true = {
                CAPACITANCE: bulk_f,
                # of resistor and bleeder in parallel: 1 / T = 1 / (R C) + 1 / T0, textbook
                TIME_CONSTANT: 1.0 / (1.0 / (ohm * bulk_f) + 1.0 / own_s),
                STOP_VOLTAGE: (stop_v + 0.8) / ROOT2,
            }
            for name, estimate in found.items():
                off = abs(estimate.value - true[name])
                inside[name] += off <= combine(estimate.contributions).expanded

        assert set(inside) == set(TOLD)
        assert min(inside.values()) >= 93


class TestNoFigure:
    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_the_fitted_curve_is_the_exponential_it_was_weighed_by(self, sign: float) -> None:
        """The curve begins where the converter has stopped, and every reading lies on it.

        Source: V = V0 exp(-t / T), T = C / (1 / R + C / T0); textbook.
        """
        read = fall(draws_w=20.0)
        shown = Fall(times_s=read.times_s, voltage_v=sign * read.voltage_v)
        [curve] = weigh_discharge(shown, METER, RESISTOR, ROOT2).fitted
        along_s, volts = np.array(curve.times_s), np.array(curve.voltage_v)
        on_it = read.times_s >= along_s[0]

        assert abs(volts[0]) == pytest.approx(60.0, rel=0.03)
        assert np.interp(read.times_s[on_it], along_s, volts) == pytest.approx(
            shown.voltage_v[on_it], rel=2e-3
        )
        time_constant_s = 150e-6 / (1.0 / 10e3 + 150e-6 / 100.0)
        slope = np.diff(np.log(np.abs(volts))) / np.diff(along_s)
        assert slope == pytest.approx(-1.0 / time_constant_s, rel=5e-3)
        assert curve.current_a == ()

    def test_no_exponential_has_no_curve(self) -> None:
        """Where nothing was fitted nothing is drawn."""
        few = fall(apart_s=2.0)

        assert weigh_discharge(few, METER, RESISTOR, ROOT2).fitted == ()

    def test_a_draw_that_goes_on(self) -> None:
        """A converter that never stops leaves no exponential: no figure."""
        found = weigh_discharge(fall(draws_w=2.0, stop_v=14.0), METER, RESISTOR, ROOT2)

        assert not found.estimates
        assert found.why_not[CAPACITANCE].startswith("The fall is no exponential over readings")

    def test_a_resistor_that_hardly_draws(self) -> None:
        """Where the unit's own bleeder may draw as much, nothing is told of the capacitor."""
        weak = Resistor(ohm=1e6, error_ohm=1e4)
        read = fall(ohm=1e6, own_s=30.0, apart_s=1.0)
        found = weigh_discharge(read, METER, weak, ROOT2)

        assert found.why_not[CAPACITANCE].startswith("The resistor draws too little beside")

    def test_too_few_readings(self) -> None:
        """Half a dozen readings tell no exponential."""
        found = weigh_discharge(fall(apart_s=0.6), METER, RESISTOR, ROOT2)

        assert not found.estimates

    def test_nothing_but_the_resistor_tells_no_stop(self) -> None:
        """Where no converter ran, there is no voltage at which it stopped."""
        found = weigh_discharge(fall(), METER, RESISTOR, ROOT2)

        assert found.why_not == {
            STOP_VOLTAGE: "Nothing but the resistor drew from the capacitor after power off."
        }

    def test_no_accuracy(self) -> None:
        """Without the meter's accuracy nothing is known."""
        assert not weigh_discharge(fall(), None, RESISTOR, ROOT2).estimates
