"""The straight line."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.series import LineFit, fit_line


def at_nought(line: LineFit) -> float:
    """Value of the line at x = 0."""
    return line.y_mean - line.slope * line.x_mean


def test_points_on_a_line_give_it_back() -> None:
    """Points on a line are fitted without residue, far from the origin as well."""
    x = np.arange(5.0) + 1e6
    line = fit_line(x, 3.0 - 0.5 * x)
    assert line.slope == -0.5
    assert at_nought(line) == pytest.approx(3.0, abs=1e-9)
    assert line.residual_sd == pytest.approx(0.0, abs=1e-9)


def test_two_points_leave_the_error_unknown() -> None:
    """Two points make a line, but say nothing about its uncertainty."""
    line = fit_line(np.array([0.0, 1.0]), np.array([1.0, 3.0]))
    assert (at_nought(line), line.slope, line.dof) == (1.0, 2.0, 0)
    assert math.isnan(line.se_slope)
    assert math.isnan(line.residual_sd)


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
    assert at_nought(line) == pytest.approx(intercept, **close)
    assert line.slope == pytest.approx(slope, **close)
    assert line.se_slope == pytest.approx(math.sqrt(covariance[1, 1]), **close)
