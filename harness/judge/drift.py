"""Drift: how far a quantity moved from the beginning of a hold to its end, and how surely."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from harness.judge.line import fit_line
from harness.judge.propagate import Estimate
from harness.judge.summary import autocorrelation
from harness.judge.uncertainty import Contribution

__all__ = ["drift"]

FloatArray = npt.NDArray[np.float64]


def drift(time_s: FloatArray, values: FloatArray, name: str) -> Estimate:
    """Change over a hold, from the slope of a least-squares line.

    An offset or gain error of the instrument is the same at both ends and does not count; what
    counts is the scatter about the line. Neighbouring readings of one instrument are not
    independent: where the residuals agree (lag-1 autocorrelation r above 0), the n readings count
    as n (1 - r) / (1 + r), both for the standard error and for its degrees of freedom.

    Args:
        time_s: Times in seconds, rising, shape (n,).
        values: Readings, shape (n,).
        name: What was read, for the cause's name.

    Returns:
        Slope times span, in the unit of the readings. Fewer than four readings, or readings at one
        time, tell nothing: nan.

    Source: JCGM 100:2008, H.3.2 (least-squares line, standard error of the slope) and 4.2.7
        (correlated observations); the effective number for a first-order autoregressive series,
        textbook.
    """
    times, readings = np.asarray(time_s, np.float64), np.asarray(values, np.float64)
    finite = np.isfinite(times).all() and np.isfinite(readings).all()
    if times.size < 4 or not finite or times[-1] <= times[0]:
        return Estimate(value=math.nan)
    line = fit_line(times, readings)
    span_s = float(times[-1] - times[0])
    residuals = readings - line.y_mean - line.slope * (times - line.x_mean)
    independent = _independent(residuals)
    widened = math.sqrt(line.dof / (independent - 2.0))
    cause = Contribution(
        name=f"scatter of {name} about its line",
        standard=line.se_slope * span_s * widened,
        dof=independent - 2.0,
        distribution="t",
    )
    return Estimate(value=line.slope * span_s, contributions=(cause,))


def _independent(residuals: FloatArray) -> float:
    """Effective number of residuals, never fewer than three: a line takes two for itself."""
    n = float(residuals.size)
    r = autocorrelation(residuals)  # nan, for residuals that are all nought, compares as false
    return max(n * (1.0 - r) / (1.0 + r), 3.0) if r > 0.0 else n
