"""A straight line through points, with the uncertainty of what it says."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["LineFit", "fit_line"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class LineFit:
    """The least-squares line y = intercept + slope x.

    Attributes:
        intercept: Value at x = 0, in the unit of y.
        slope: Change of y for each unit of x.
        se_intercept: Standard error of the intercept; nan for two points.
        se_slope: Standard error of the slope; nan for two points.
        residual_sd: Standard deviation of the points about the line (n - 2); nan for two points.
        r: Correlation coefficient of intercept and slope, -1 to 1: where the points lie far from
            x = 0, an error of one is made up by the other.
        points: Number of points n.
        x_mean: Mean of x.
        y_mean: Mean of y.
    """

    intercept: float
    slope: float
    se_intercept: float
    se_slope: float
    residual_sd: float
    r: float
    points: int
    x_mean: float
    y_mean: float

    @property
    def dof(self) -> int:
        """Degrees of freedom, n - 2."""
        return self.points - 2

    def at(self, x: float) -> tuple[float, float]:
        """The line's value at ``x`` and its standard uncertainty, both in the unit of y.

        Source: JCGM 100:2008, H.3.4, put about the mean of x, where slope and level are not
            correlated.
        """
        away = x - self.x_mean
        level = self.residual_sd / math.sqrt(self.points)
        return self.y_mean + self.slope * away, math.hypot(level, self.se_slope * away)


def fit_line(x: FloatArray, y: FloatArray) -> LineFit:
    """Fit a straight line by least squares, all points with equal weight.

    Args:
        x: Shape (n,), taken as free of error.
        y: Shape (n,).

    Returns:
        The line.

    Raises:
        ValueError: If the shapes differ, there are fewer than two points, or all x are equal.

    Source: JCGM 100:2008, H.3.2; textbook linear regression, computed about the means so that a
        large offset of x or y costs no digits.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise ValueError(f"x and y must be series of one length, not {xs.shape} and {ys.shape}")
    n = xs.size
    if n < 2:
        raise ValueError("a line needs two points")
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    dx, dy = xs - x_mean, ys - y_mean
    sxx = float(dx @ dx)
    if sxx == 0.0:
        raise ValueError("a line needs two different x")
    slope = float(dx @ dy) / sxx
    residual = dy - slope * dx
    # Summed residuals, not syy - slope * sxy: on a clean line that difference is all rounding.
    sd = math.sqrt(float(residual @ residual) / (n - 2)) if n > 2 else math.nan
    spread = math.sqrt(1.0 / n + x_mean * x_mean / sxx)
    return LineFit(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        se_intercept=sd * spread,
        se_slope=sd / math.sqrt(sxx),
        residual_sd=sd,
        r=-x_mean / (math.sqrt(sxx) * spread),
        points=n,
        x_mean=x_mean,
        y_mean=y_mean,
    )
