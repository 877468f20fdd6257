"""Student's t against an independent implementation."""

from __future__ import annotations

import pytest
from scipy.special import stdtr, stdtrit

from harness.judge.student import student_quantile, student_within


@pytest.mark.parametrize("probability", [0.01, 0.5, 0.90, 0.95, 0.9545, 0.99, 0.999, 0.99999])
def test_quantiles_agree_with_scipy(probability: float) -> None:
    """Series and expansion give the quantiles of SciPy to ten digits."""
    # Source: scipy.special.stdtrit, one-sided.
    for dof in (*range(1, 410), 1000, 10**5, 10**9):
        expected = stdtrit(dof, 0.5 + probability / 2)
        assert student_quantile(dof, probability) == pytest.approx(expected, rel=1e-10), dof


@pytest.mark.parametrize("t", [0.0, 0.3, 1.0, 2.776, 12.0])
def test_probabilities_agree_with_scipy(t: float) -> None:
    """The share within a bound is the one of SciPy, for few degrees of freedom and for many."""
    # Source: scipy.special.stdtr, one-sided.
    for dof in (*range(1, 60), 400, 401, 10**4, 10**6, 10**9):
        expected = 1 - 2 * stdtr(dof, -t)
        assert student_within(dof, t) == pytest.approx(expected, abs=1e-6), dof
        if dof < 10**5:
            assert student_within(dof, t) == pytest.approx(expected, abs=1e-12), dof
