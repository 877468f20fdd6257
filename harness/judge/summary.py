"""Mean, scatter and autocorrelation of a series, stable for large offsets."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["autocorrelation", "mean", "standard_deviation"]

FloatArray = npt.NDArray[np.float64]


def mean(samples: FloatArray) -> float:
    """Arithmetic mean; nan for an empty series.

    Args:
        samples: Values, shape (n,).

    Source: JCGM 100:2008, 4.2.1.
    """
    return _centre(samples)[0]


def standard_deviation(samples: FloatArray) -> float:
    """Experimental standard deviation with n - 1; nan below two values.

    Args:
        samples: Values, shape (n,).

    Source: JCGM 100:2008, 4.2.2; two passes with the mean's rounding error taken out again
        (textbook).
    """
    _, deviation = _centre(samples)
    n = deviation.size
    if n < 2:
        return math.nan
    # By the definition of the mean the sum is nought; what is left of it is rounding.
    left = float(deviation.sum())
    return math.sqrt(max(float(deviation @ deviation) - left * left / n, 0.0) / (n - 1))


def autocorrelation(samples: FloatArray) -> float:
    """Lag-1 autocorrelation coefficient; nan for a constant series or below two values.

    Args:
        samples: Values in the order of time, evenly spaced, shape (n,).

    Source: the definition the NIST Statistical Reference Datasets are certified with: products of
        neighbouring deviations over the squares of all, both about the mean of all.
    """
    _, deviation = _centre(samples)
    square = float(deviation @ deviation)
    if deviation.size < 2 or square == 0.0:
        return math.nan
    return float(deviation[:-1] @ deviation[1:]) / square


def _centre(samples: FloatArray) -> tuple[float, FloatArray]:
    """Mean, and the deviations from it; the second pass corrects the first one's rounding."""
    values = np.asarray(samples, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"a series has one dimension, not the shape {values.shape}")
    if values.size == 0:
        return math.nan, values
    rough = float(values.mean())
    centre = rough + float((values - rough).mean())
    return centre, values - centre
