"""Student's t against an independent implementation."""

from __future__ import annotations

import pytest
from scipy.special import stdtrit

from harness.judge.student import student_quantile


@pytest.mark.parametrize("probability", [0.01, 0.5, 0.90, 0.95, 0.9545, 0.99, 0.999, 0.99999])
def test_quantiles_agree_with_scipy(probability: float) -> None:
    """Series and expansion give the quantiles of SciPy to ten digits."""
    # Source: scipy.special.stdtrit, one-sided.
    for dof in (*range(1, 410), 1000, 10**5, 10**9):
        expected = stdtrit(dof, 0.5 + probability / 2)
        assert student_quantile(dof, probability) == pytest.approx(expected, rel=1e-10), dof
