"""A series of readings: line, drift and trend."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.series import LineFit, Trend, drift, fit_line, least_change
from harness.judge.uncertainty import combine, scatter


def at_zero(line: LineFit) -> float:
    """Value of the line at x = 0."""
    return line.y_mean - line.slope * line.x_mean


def test_points_on_a_line_give_it_back() -> None:
    """Points on a line are fitted without residue, far from the origin as well."""
    x = np.arange(5.0) + 1e6
    line = fit_line(x, 3.0 - 0.5 * x)
    assert line.slope == -0.5
    assert at_zero(line) == pytest.approx(3.0, abs=1e-9)
    assert line.se_slope == pytest.approx(0.0, abs=1e-9)


def test_two_points_leave_the_error_unknown() -> None:
    """Two points make a line, but say nothing about its uncertainty."""
    line = fit_line(np.array([0.0, 1.0]), np.array([1.0, 3.0]))
    assert (at_zero(line), line.slope, line.dof) == (1.0, 2.0, 0)
    assert math.isnan(line.se_slope)


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [
        ([1.0], [1.0], "two points"),
        ([2.0, 2.0, 2.0], [1.0, 2.0, 3.0], "two different x"),
        ([1.0, 2.0], [1.0], "one length"),
    ],
)
def test_what_makes_no_line_is_refused(x: list[float], y: list[float], says: str) -> None:
    """Too few points, points above each other, or unequal lengths raise."""
    with pytest.raises(ValueError, match=says):
        fit_line(np.array(x), np.array(y))


@given(
    st.lists(st.tuples(st.integers(-99, 99), st.integers(-99, 99)), min_size=3, max_size=30).filter(
        lambda points: len({x for x, _ in points}) > 1
    )
)
def test_fit_agrees_with_the_normal_equations(points: list[tuple[int, int]]) -> None:
    """The closed form solves the normal equations, the standard error of the slope included."""
    x, y = np.array(points, dtype=float).T
    line = fit_line(x, y)
    design = np.column_stack([np.ones_like(x), x])
    inverse = np.linalg.inv(design.T @ design)
    intercept, slope = inverse @ design.T @ y
    residual = y - design @ (intercept, slope)
    covariance = inverse * (residual @ residual) / (len(x) - 2)
    close = {"rel": 1e-6, "abs": 1e-6}
    assert at_zero(line) == pytest.approx(intercept, **close)
    assert line.slope == pytest.approx(slope, **close)
    assert line.se_slope == pytest.approx(math.sqrt(covariance[1, 1]), **close)


class TestDrift:
    def test_a_clean_slope_is_its_change_over_the_span(self) -> None:
        """A line without scatter drifts by slope times span, with no uncertainty."""
        times = np.linspace(100.0, 160.0, 61)
        found = drift(times, 5.0 - 0.001 * (times - 100.0), "voltage")

        assert found.value == pytest.approx(-0.06)
        assert combine(found.contributions).expanded == pytest.approx(0.0, abs=1e-12)

    def test_the_uncertainty_is_students_t_times_the_slopes(self) -> None:
        """U is t (n - 2) times the standard error of the slope times the span.

        Source: JCGM 100:2008, H.3.2 and Table G.2: for x 0..4 and y 0, 1, 0, 1, 0 the slope is 0,
        the residual sum of squares 1.2, so s(slope) = sqrt(1.2 / 3 / 10) = 0.2; t(3) = 3.18.
        """
        found = drift(np.arange(5.0), np.array([0.0, 1.0, 0.0, 1.0, 0.0]), "voltage")

        assert found.value == pytest.approx(0.0)
        assert combine(found.contributions).expanded == pytest.approx(3.182 * 0.2 * 4.0, rel=1e-3)

    @pytest.mark.parametrize(
        ("times", "values"),
        [
            ([0.0, 1.0, 2.0], [1.0, 2.0, 3.0]),
            ([1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 4.0]),
            ([0.0, 1.0, 2.0, 3.0], [1.0, math.nan, 3.0, 4.0]),
        ],
    )
    def test_too_little_tells_nothing(self, times: list[float], values: list[float]) -> None:
        """Three readings, one time, or a reading that is no number give no drift."""
        assert math.isnan(drift(np.array(times), np.array(values), "voltage").value)

    def test_readings_that_hang_together_count_for_less(self) -> None:
        """The same scatter in slow waves leaves the slope less certain than in quick ones."""
        times = np.arange(400.0)
        quick = np.sin(times * 2.9)
        slow = np.sin(times * 0.05)
        uncertainties = [
            combine(drift(times, values, "voltage").contributions).expanded
            for values in (quick, slow)
        ]

        assert uncertainties[1] > 3 * uncertainties[0]

    def test_the_interval_covers_the_truth(self) -> None:
        """In 400 draws of normal noise on a line, 95 % intervals miss in 2 to 8 of a hundred."""
        rng = np.random.default_rng(4)
        times = np.linspace(0.0, 10.0, 30)
        missed = 0
        for _ in range(400):
            found = drift(times, 0.1 * times + rng.normal(0.0, 0.5, times.size), "voltage")
            missed += abs(found.value - 1.0) > combine(found.contributions).expanded
        assert 0.02 <= missed / 400 <= 0.08


@given(
    st.lists(st.floats(-100.0, 100.0), min_size=5, max_size=30),
    st.floats(-1e3, 1e3),
    st.floats(0.1, 10.0),
)
def test_an_offset_does_not_count_and_a_scale_does(
    values: list[float], offset: float, scale: float
) -> None:
    """Adding a constant leaves a drift alone; multiplying multiplies it."""
    times = np.arange(float(len(values)))
    base = np.array(values)
    plain = drift(times, base, "voltage").value

    assert drift(times, base + offset, "voltage").value == pytest.approx(plain, abs=1e-6)
    assert drift(times, base * scale, "voltage").value == pytest.approx(plain * scale, abs=1e-6)


def trend_of(values: np.ndarray, step_s: float = 0.0025) -> Trend:
    trend = Trend()
    for index, value in enumerate(values.tolist()):
        trend.add(index * step_s, value)
    return trend


class TestTrend:
    @pytest.mark.parametrize("count", [1, 5, 8191])
    def test_few_readings_are_kept_as_they_are(self, count: int) -> None:
        """Each reading of a short hold stands by itself, to the last digit."""
        values = np.random.default_rng(1).normal(5.0, 0.1, count)
        trend = trend_of(values)

        assert np.array_equal(trend.values, values)
        assert np.array_equal(trend.times, np.arange(count) * 0.0025)

    @pytest.mark.parametrize("count", [8192, 100_000, 262_144])
    def test_many_readings_have_the_mean_of_all(self, count: int) -> None:
        """Blocks hold equally many readings; at most one in four thousand is left out."""
        values = np.random.default_rng(1).normal(5.0, 0.1, count)
        trend = trend_of(values)
        each = count // trend.values.size
        whole = trend.values.size * each

        assert trend.MOST // 2 <= trend.values.size < trend.MOST
        assert count - whole <= count / 4096
        assert trend.values.mean() == pytest.approx(values[:whole].mean(), rel=1e-12)
        assert trend.times == pytest.approx(
            (np.arange(whole) * 0.0025).reshape(-1, each).mean(axis=1)
        )

    def test_a_drift_and_its_error_are_those_of_all_readings(self) -> None:
        """A line through the blocks is the line through the readings, and so is its error."""
        count = 200_000
        times = np.arange(count) * 0.0025
        values = 5.0 + 1e-4 * times + np.random.default_rng(2).normal(0.0, 0.01, count)
        trend = trend_of(values)
        blocks, readings = drift(trend.times, trend.values, "x"), drift(times, values, "x")

        assert blocks.value == pytest.approx(readings.value, rel=0.01)
        assert blocks.contributions[0].standard == pytest.approx(
            readings.contributions[0].standard, rel=0.1
        )

    def test_the_error_of_a_mean_of_correlated_readings_is_not_underrated(self) -> None:
        """Over many soaks with an error that comes and goes in seconds, means scatter as told."""
        rng = np.random.default_rng(3)
        phi, count = 0.999, 40_000
        means, told = [], []
        for _ in range(10):
            shocks = rng.normal(0.0, np.sqrt(1 - phi**2), count).tolist()
            trend, value = Trend(), rng.normal()
            for index, shock in enumerate(shocks):
                value = phi * value + shock
                trend.add(index * 0.0025, value)
            means.append(trend.values.mean())
            told.append(scatter("x", trend.values).standard)

        assert np.std(means) < 1.6 * np.mean(told)

    def test_room_is_bounded(self) -> None:
        """A hundred thousand readings take no more room than the first ten thousand."""
        trend = Trend()
        tracemalloc.start()
        for index in range(10_000):
            trend.add(index * 0.0025, 5.0)
        before, _ = tracemalloc.get_traced_memory()
        for index in range(10_000, 100_000):
            trend.add(index * 0.0025, 5.0)
        after, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()

        assert after - before < 100_000


class TestDisplay:
    """The last digit of a display in a drift, and how small it can be seen to be."""

    @pytest.mark.parametrize("noise", [0.0, 0.1, 0.3, 1.0])
    @pytest.mark.parametrize("moved", [0.1, 0.3, 0.48, 0.8, 1.0, 2.5])
    def test_a_coarse_display_hides_no_drift(self, moved: float, noise: float) -> None:
        """A line seen in whole digits: the interval of 95 % holds its true drift that often.

        Source: JCGM 100:2008, F.2.2.1 (a display shows the same for all values within a digit).
        """
        rng = np.random.default_rng(8)
        times = np.linspace(0.0, 5.0, 120)
        held = 0
        for _ in range(300):
            true = 100.0 + rng.uniform() + moved * times / 5.0 + rng.normal(0.0, noise, 120)
            found = drift(times, np.round(true), "voltage", digit=1.0)
            held += abs(found.value - moved) <= combine(found.contributions).expanded
        assert held >= 0.93 * 300

    def test_without_a_digit_the_same_readings_hide_it(self) -> None:
        """What did not change would be known without any uncertainty at all."""
        found = drift(np.arange(50.0), np.full(50, 5.0), "voltage")
        assert (found.value, combine(found.contributions).expanded) == (0.0, 0.0)

    def test_each_half_may_be_rounded_its_own_way(self) -> None:
        """Two roundings of half a digit, each one and a half times: 1.2 digits in all."""
        found = drift(np.linspace(0.0, 1.0, 2000), np.full(2000, 5.0), "voltage", digit=0.05)

        halves = found.contributions[1:]
        assert [part.sensitivity for part in halves] == pytest.approx([-1.5, 1.5], rel=1e-3)
        assert combine(found.contributions).expanded == pytest.approx(1.2 * 0.05, rel=1e-3)

    def test_the_smallest_change_bounds_the_digit(self) -> None:
        """Readings in digits of 50 mV never change by less, by more they may."""
        assert least_change(np.array([5.0, 5.15, 5.15, 5.1])) == pytest.approx(0.05)
        assert least_change(np.array([5.0, 5.0])) == math.inf
        assert least_change(np.array([5.0])) == math.inf

    def test_blocks_know_the_readings_smallest_change(self) -> None:
        """Means of blocks come finer than the display they were read from."""
        readings = 5.0 + 0.05 * np.random.default_rng(2).integers(0, 3, 3 * Trend.MOST)
        trend = Trend()
        for number, value in enumerate(readings):
            trend.add(float(number), float(value))

        assert trend.least_change == pytest.approx(least_change(readings)) == pytest.approx(0.05)
        assert least_change(trend.values) < 0.03
