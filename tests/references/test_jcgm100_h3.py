"""Least squares against the worked example of JCGM 100:2008, H.3: a thermometer is calibrated."""

from __future__ import annotations

import numpy as np
import pytest

from harness.judge.least_squares import Fit, fit
from harness.judge.uncertainty import FloatArray

#: Temperature read less 20 degC, and correction, both in degC: JCGM 100:2008, table H.6.
READ_K = np.array([1.521, 2.012, 2.512, 3.003, 3.507, 3.999, 4.513, 5.002, 5.503, 6.010, 6.511])
CORRECTION_K = -np.array(
    [0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160]
)


def line(deviation: float) -> Fit:
    """Return the line through the corrections, each with this standard uncertainty."""

    def residuals(values: FloatArray) -> FloatArray:
        return (values[0] + values[1] * READ_K - CORRECTION_K) / deviation

    found = fit(residuals, np.array([1.0, 1.0]), np.array([0.1, 0.01]))
    assert found is not None
    return found


class TestThermometer:
    """The calibration curve of JCGM 100:2008, H.3: y1 + y2 (t - 20 degC)."""

    def test_line(self) -> None:
        """The intercept is -0.1712 degC, the slope 0.00218 (H.3.3)."""
        assert line(1.0).values == pytest.approx([-0.1712, 0.00218], abs=6e-5)

    def test_scatter(self) -> None:
        """The residuals have a standard deviation of 0.0035 degC (H.3.3)."""
        assert line(1.0).variance ** 0.5 == pytest.approx(0.0035, abs=5e-5)

    def test_uncertainty(self) -> None:
        """Intercept and slope are known to 0.0029 and 0.00067, correlated by -0.930 (H.3.3)."""
        covariance = line(line(1.0).variance ** 0.5).covariance
        intercept, slope = np.sqrt(np.diag(covariance))

        assert intercept == pytest.approx(0.0029, abs=5e-5)
        assert slope == pytest.approx(0.00067, abs=5e-6)
        assert covariance[0, 1] / intercept / slope == pytest.approx(-0.930, abs=5e-4)

    def test_prediction(self) -> None:
        """The correction at 30 degC is -0.1494 degC, known to 0.0041 (H.3.4)."""
        found = line(line(1.0).variance ** 0.5)
        at_30 = np.array([1.0, 10.0])

        assert at_30 @ found.values == pytest.approx(-0.1494, abs=5e-5)
        assert (at_30 @ found.covariance @ at_30) ** 0.5 == pytest.approx(0.0041, abs=5e-5)
