"""Scatter and autocorrelation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.uncertainty import autocorrelations, standard_deviation


def test_short_series_say_nothing_they_cannot() -> None:
    """An empty series and a single value have no scatter and no autocorrelation."""
    empty, single = np.array([]), np.array([2.5])
    for series in (empty, single):
        assert math.isnan(standard_deviation(series))
        assert autocorrelations(series).size == series.size
    assert math.isnan(autocorrelations(single)[0])


def test_two_values_have_an_autocorrelation() -> None:
    """Deviations of -1 and 1: their product over the sum of their squares."""
    assert autocorrelations(np.array([1.0, 3.0])) == pytest.approx([1.0, -0.5], abs=1e-15)


def test_constant_series_has_no_autocorrelation() -> None:
    """Values that never differ have no scatter, and so no correlation of it."""
    series = np.full(7, 0.1)
    assert standard_deviation(series) == 0.0
    assert np.isnan(autocorrelations(series)).all()


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
    r = autocorrelations(series)
    assert autocorrelations(moved) == pytest.approx(r, abs=1e-3, nan_ok=True)
    assert np.isnan(r).all() or (np.abs(r) <= 1.0 + 1e-12).all()


@given(st.lists(st.integers(-1000, 1000), min_size=2, max_size=40))
def test_every_lag_is_its_definition(values: list[int]) -> None:
    """Products of deviations so many readings apart, over the squares of all."""
    series = np.array(values, dtype=float)
    deviations = series - series.mean()
    found = autocorrelations(series)
    if np.ptp(series) == 0.0:
        assert np.isnan(found).all()
        return
    n = series.size
    expected = [deviations[: n - k] @ deviations[k:] for k in range(n)]
    assert found * (deviations @ deviations) == pytest.approx(expected, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("scale", [1e-300, 1e-160, 1e160])
def test_no_scale_is_out_of_range(scale: float) -> None:
    """Deviations whose squares no double holds have the correlation of any others."""
    series = np.array([1.0, 3.0, 2.0, 5.0, -1.0])
    assert autocorrelations(series * scale) == pytest.approx(autocorrelations(series))
