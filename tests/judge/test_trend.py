from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from harness.judge.series import Trend, drift
from harness.judge.uncertainty import scatter


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
        assert trend.last == values[-1]

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
        assert trend.last == values[-1]

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
