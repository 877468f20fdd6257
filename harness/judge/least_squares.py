"""Parameters fitted to readings by least squares, and how each reading moves them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import scipy.optimize  # here, and so before power is on: it takes a quarter of a second

from harness.judge.uncertainty import FloatArray

#: Step of the derivatives, as a share of a parameter's scale.
_STEP = 1e-4
#: The fit has arrived where a step gains less than this share of the sum of squares, or moves the
#: parameters by less than this share: far below what the uncertainty comes to.
_CLOSE = 1e-5
#: A fit that has not arrived after so many steps has none.
_MOST_STEPS = 100


@dataclass(frozen=True, slots=True)
class Fit:
    """What was fitted: p parameters to n observations, each divided by its standard uncertainty."""

    values: FloatArray  # (p,)
    residuals: FloatArray  # (n,): model less observation
    #: (p, n): change of each parameter for a change of each observation by its standard
    #: uncertainty.
    response: FloatArray

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the parameters, (p, p), by the observations' standard uncertainties.

        Source: JCGM 102:2011, 6.2 (linear propagation for several outputs); for least squares it is
            the inverse of J'J, textbook.
        """
        covariance: FloatArray = self.response @ self.response.T
        return covariance

    @property
    def variance(self) -> float:
        """Mean square of the residuals over the degrees of freedom; 1 where all is as stated.

        Source: JCGM 100:2008, H.3.2, equation H.13f.
        """
        free = self.residuals.size - self.values.size
        return float(self.residuals @ self.residuals) / free if free > 0 else float("nan")


def fit(
    residuals: Callable[[FloatArray], FloatArray], start: FloatArray, scales: FloatArray
) -> Fit | None:
    """Fit parameters, (p,), so that the sum of the squared residuals is least; None: none found.

    ``residuals`` returns model less observation for some parameters, each divided by the standard
    uncertainty of its observation; what is known of a parameter beforehand is one observation more.
    ``scales`` are changes of the parameters that matter.

    Source: the method of Levenberg and Marquardt, by ``scipy.optimize.least_squares``; JCGM
        100:2008, H.3, for the uncertainty of what is fitted.
    """

    def scaled(x: FloatArray) -> FloatArray:
        return residuals(x * scales)

    try:
        found = scipy.optimize.least_squares(
            scaled,
            start / scales,
            jac=partial(_jacobian, scaled),
            method="lm",
            ftol=_CLOSE,
            xtol=_CLOSE,
            max_nfev=_MOST_STEPS,
        )
    except (ValueError, FloatingPointError):  # the model gives no number there
        return None
    if not found.success or not np.isfinite(found.x).all():
        return None
    jacobian = _jacobian(scaled, found.x, central=True)
    response = np.linalg.pinv(jacobian, rcond=1e-12) * scales[:, np.newaxis]
    return Fit(found.x * scales, np.asarray(found.fun), response)


def _jacobian(
    scaled: Callable[[FloatArray], FloatArray], x: FloatArray, *, central: bool = False
) -> FloatArray:
    """Return the derivatives of the residuals by the scaled parameters, (n, p).

    Differences to one side lead to the minimum; at it, ``central`` ones give the uncertainty.
    """
    steps = _STEP * np.eye(x.size)
    here = scaled(x)
    lower = [scaled(x - step) for step in steps] if central else [here] * x.size
    width = 2.0 * _STEP if central else _STEP
    columns = [
        (scaled(x + step) - before) / width for step, before in zip(steps, lower, strict=True)
    ]
    jacobian: FloatArray = np.stack(columns, axis=1)
    return jacobian
