"""Scatter and autocorrelation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.uncertainty import autocorrelation, standard_deviation


def test_short_series_say_nothing_they_cannot() -> None:
    """An empty series and a single value have no scatter and no autocorrelation."""
    empty, single = np.array([]), np.array([2.5])
    for series in (empty, single):
        assert math.isnan(standard_deviation(series))
        assert math.isnan(autocorrelation(series))


def test_two_values_have_an_autocorrelation() -> None:
    """Deviations of -1 and 1: their product over the sum of their squares."""
    assert autocorrelation(np.array([1.0, 3.0])) == -0.5


def test_constant_series_has_no_autocorrelation() -> None:
    """Values that never differ have no scatter, and so no correlation of it."""
    series = np.full(7, 0.1)
    assert standard_deviation(series) == 0.0
    assert math.isnan(autocorrelation(series))


def test_scatter_survives_a_mean_that_no_double_holds() -> None:
    """Two neighbours at 1e16 are two apart, though their mean cannot be represented."""
    assert standard_deviation(np.array([1e16, 1e16 + 2])) == pytest.approx(math.sqrt(2))


def test_table_is_no_series() -> None:
    """A two-dimensional array is refused."""
    with pytest.raises(ValueError, match="one dimension"):
        standard_deviation(np.zeros((2, 2)))


@given(st.lists(st.integers(-1000, 1000), min_size=2, max_size=40), st.integers(-(2**40), 2**40))
def test_offset_changes_no_scatter(values: list[int], offset: int) -> None:
    """A large offset leaves scatter and autocorrelation as they are."""
    series = np.array(values, dtype=float)
    moved = series + offset
    assert standard_deviation(moved) == pytest.approx(
        standard_deviation(series), rel=1e-6, abs=1e-9
    )
    r = autocorrelation(series)
    assert autocorrelation(moved) == pytest.approx(r, abs=1e-3, nan_ok=True)
    assert math.isnan(r) or -1.0 <= r <= 1.0
