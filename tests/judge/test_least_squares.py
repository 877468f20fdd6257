"""Fits by least squares: how each observation moves what is fitted."""

from __future__ import annotations

import numpy as np
import pytest

from harness.judge.least_squares import Fit, fit


class TestResponse:
    """How each observation moves what is fitted."""

    def test_is_what_a_moved_observation_does(self) -> None:
        """An observation that is higher by its standard uncertainty moves the line by it."""
        values = np.array([1.0, 2.0, 4.0])

        def fitted(moved: float) -> Fit:
            observed = values + np.array([0.0, 0.0, moved])
            found = fit(
                lambda p: (p[0] + p[1] * np.arange(3) - observed) / 0.1,
                np.array([0.0, 0.0]),
                np.array([1.0, 1.0]),
            )
            assert found is not None
            return found

        moved = fitted(0.1).values - fitted(0.0).values

        assert moved == pytest.approx(fitted(0.0).response[:, 2], abs=1e-6)

    def test_known_beforehand(self) -> None:
        """What is known of a parameter counts as one observation more."""
        found = fit(
            lambda p: np.array([p[0] - 1.0, (p[0] - 2.0) / 2.0]), np.array([0.0]), np.array([1.0])
        )

        assert found is not None
        assert found.values == pytest.approx([1.2], abs=1e-6)  # weights 1 and 1/4
        assert found.covariance[0, 0] == pytest.approx(0.8, abs=1e-6)

    def test_no_number(self) -> None:
        """A model that gives no number is not fitted."""
        found = fit(lambda p: np.full(3, np.nan) * p[0], np.array([1.0]), np.array([1.0]))

        assert found is None
