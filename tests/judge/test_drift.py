from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.series import drift
from harness.judge.uncertainty import combine


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
