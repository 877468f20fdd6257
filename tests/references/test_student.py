"""Student's t against the table of a handbook."""

from __future__ import annotations

import pytest

from harness.judge.uncertainty import coverage_factor


@pytest.mark.parametrize(
    ("dof", "at_95", "at_99"),
    [
        (1, 12.706, 63.657),
        (2, 4.303, 9.925),
        (3, 3.182, 5.841),
        (5, 2.571, 4.032),
        (10, 2.228, 3.169),
        (30, 2.042, 2.750),
        (60, 2.000, 2.660),
        (120, 1.980, 2.617),
    ],
)
def test_quantiles_of_the_handbook(dof: int, at_95: float, at_99: float) -> None:
    """The two-sided quantiles are those of a handbook, to its three decimals."""
    # Source: Abramowitz and Stegun, Handbook of Mathematical Functions, Table 26.10; from memory.
    assert coverage_factor(dof, 0.95) == pytest.approx(at_95, abs=6e-4)
    assert coverage_factor(dof, 0.99) == pytest.approx(at_99, abs=6e-4)
