"""Tolerance limits: bounds that hold a stated share of a population, with stated confidence.

Two ways. By order statistics: no assumption but independent units, and many of them needed. By
normal theory: fewer needed, and only where nothing speaks against a normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

__all__ = [
    "Side",
    "looks_normal",
    "one_sided_factor",
    "order_rank",
    "two_sided_factor",
    "units_for_rank",
]

#: Which limits are wanted.
Side = Literal["low", "high", "both"]

#: Chance of calling a normal sample not normal. Not the usual 5 %: with ten checks a profile, one
#: in two would have a check called so.
_SIGNIFICANCE = 0.01


def order_rank(units: int, content_frac: float, confidence_frac: float, *, both: bool) -> int:
    """Return which order statistic is a tolerance limit.

    Args:
        units: Size of the sample.
        content_frac: Share of the population that shall lie inside.
        confidence_frac: Confidence.
        both: Two limits, each at the same rank from its end; else one.

    Returns:
        The rank from the end (1: the extreme value), the largest that does; 0 where the sample is
        too small for any.

    Source:
        Wilks (1941): the content between two order statistics has a beta distribution. With m
        values left out in all, the confidence is P(Binomial(n, 1 - content) >= m), m = r for one
        limit, 2 r for both. ISO 16269-6, clause on distribution-free intervals (from memory).
    """
    _checked(content_frac, confidence_frac)
    from scipy.stats import binom

    outside = binom(units, 1.0 - content_frac)
    left_out = 2 if both else 1
    rank = 0
    while (rank + 1) * left_out <= units:
        confidence = outside.sf((rank + 1) * left_out - 1)
        if confidence < confidence_frac:
            break
        rank += 1
    return rank


def units_for_rank(content_frac: float, confidence_frac: float, *, both: bool) -> int:
    """Return the least number of units whose extreme values are tolerance limits."""
    _checked(content_frac, confidence_frac)
    # at least: with one limit 1 - p^n >= confidence
    units = math.ceil(math.log1p(-confidence_frac) / math.log(content_frac))
    while order_rank(units, content_frac, confidence_frac, both=both) < 1:
        units += 1
    return units


def one_sided_factor(units: int, content_frac: float, confidence_frac: float) -> float:
    """Return k so that mean + k s lies above ``content_frac`` of a normal population.

    Args:
        units: Size of the sample that gave mean and s, at least 2.
        content_frac: Share of the population.
        confidence_frac: Confidence.

    Source:
        k = t'(confidence; n - 1, z sqrt(n)) / sqrt(n), t' the quantile of the non-central t
        distribution, z that of the normal one at the content. NIST e-Handbook 7.2.6.3; ISO
        16269-6 (from memory).
    """
    _checked(content_frac, confidence_frac)
    if units < 2:
        raise ValueError("a scatter needs two values")
    from scipy.stats import nct, norm

    root = math.sqrt(units)
    return float(nct.ppf(confidence_frac, units - 1, norm.ppf(content_frac) * root)) / root


def two_sided_factor(units: int, content_frac: float, confidence_frac: float) -> float:
    """Return k so that mean - k s and mean + k s hold ``content_frac`` of a normal population.

    Args:
        units: Size of the sample that gave mean and s, at least 2.
        content_frac: Share of the population.
        confidence_frac: Confidence.

    Source:
        The exact factor (ISO 16269-6, from memory): an interval of half-width r about a mean that
        is off by x standard deviations holds P(x + r) - P(x - r) of a normal population; s is
        large enough for it with the chance P(chi2 > (n - 1) r(x)^2 / k^2), which is averaged over
        x, normal with variance 1/n. Howe's formula (NIST e-Handbook 7.2.6.3) is where the search
        begins.
    """
    _checked(content_frac, confidence_frac)
    if units < 2:
        raise ValueError("a scatter needs two values")
    import numpy as np
    from scipy.optimize import brentq
    from scipy.stats import chi2, norm

    dof = units - 1
    # Gauss-Hermite: weights for a normal x; the integrand is smooth.
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    offsets = nodes / math.sqrt(units)
    shares = weights / weights.sum()
    half_widths = np.array([_half_width(float(abs(x)), content_frac) for x in offsets])

    def lacking(factor: float) -> float:
        enough = chi2.sf(dof * (half_widths / factor) ** 2, dof)
        return float(shares @ enough) - confidence_frac

    quantile = float(chi2.ppf(1.0 - confidence_frac, dof))
    z = float(norm.ppf(0.5 * (1.0 + content_frac)))
    howe = z * math.sqrt(dof * (1.0 + 1.0 / units) / quantile)
    return float(brentq(lacking, 0.5 * howe, 2.0 * howe, xtol=1e-10))


def _half_width(offset: float, content_frac: float) -> float:
    """Return r with P(x + r) - P(x - r) = content; between its ends there is just one."""
    from scipy.optimize import brentq
    from scipy.special import ndtr, ndtri

    least = float(ndtri(0.5 * (1.0 + content_frac)))
    return float(
        brentq(
            lambda r: float(ndtr(offset + r) - ndtr(offset - r)) - content_frac,
            least,
            least + offset + 1.0,
            xtol=1e-12,
        )
    )


def looks_normal(values: Sequence[float]) -> bool:
    """Return True if nothing speaks against a normal distribution.

    Below twenty values hardly anything can be seen, so nothing is taken for normal there; a
    constant is not normal either.

    Source:
        D'Agostino and Pearson's test of skewness and kurtosis together, at 1 % (textbook).
    """
    if len(values) < 20 or max(values) == min(values):
        return False
    from scipy.stats import normaltest

    return bool(normaltest(values).pvalue >= _SIGNIFICANCE)


def _checked(content_frac: float, confidence_frac: float) -> None:
    if not (0.0 < content_frac < 1.0 and 0.0 < confidence_frac < 1.0):
        raise ValueError("content and confidence lie between 0 and 1")
