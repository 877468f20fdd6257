"""Exact bounds from a sample: of a share that was counted, and of where a population lies.

Order statistics give tolerance limits with no assumption but independent units, and need many;
normal theory needs fewer, and is right only where nothing speaks against a normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

#: Chance of calling a normal sample not normal. Not the usual 5 %: with ten checks a profile, one
#: in two would have a check called so.
_SIGNIFICANCE = 0.01
#: Below so many values hardly anything can be seen.
_LEAST_VALUES = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Share:
    """A share of units, with its bounds."""

    count: int
    total: int
    low_frac: float
    high_frac: float

    @property
    def frac(self) -> float:
        """The share itself; not-a-number where there are no units."""
        return self.count / self.total if self.total else math.nan


def share(count: int, total: int, confidence_frac: float = 0.95) -> Share:
    """Return a counted share with its two-sided exact bounds; without units from 0 to 1.

    The bounds hold at least at the stated confidence whatever the true share is; each side misses
    in at most half of what is left.

    Source: Clopper, Pearson (1934): the bounds are quantiles of beta distributions, B(a/2; k,
    n-k+1) and B(1-a/2; k+1, n-k). Edge rule: no lower bound but 0 for k = 0, no upper one but 1 for
    k = n, the other side still at a/2 (NIST e-Handbook 7.2.4.1).
    """
    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share")
    _check_fractions(confidence_frac)
    from scipy.special import betaincinv

    side = 0.5 * (1.0 - confidence_frac)
    rest = total - count
    return Share(
        count=count,
        total=total,
        low_frac=float(betaincinv(count, rest + 1, side)) if count else 0.0,
        high_frac=float(betaincinv(count + 1, rest, 1.0 - side)) if rest else 1.0,
    )


def agreement(shares: Sequence[Share]) -> float:
    """Return how likely shares of one and the same population differ at least as much as these.

    Near 0: they are not of one population. 1 where all or none of the units count.

    Source: Freeman, Halton (1951): with the counts of all together fixed, each way to deal them out
    has a multivariate hypergeometric probability; those no likelier than what was seen add up. For
    two shares it is Fisher's exact test.
    """
    totals = [one.total for one in shares]
    seen = [one.count for one in shares]
    ways = _ways(totals, sum(seen))
    likely = {way: math.prod(map(math.comb, totals, way)) for way in ways}
    # whole numbers: no rounding decides which ways are as unlikely
    unlikely = sum(one for one in likely.values() if one <= likely[tuple(seen)])
    return unlikely / sum(likely.values())


def _ways(totals: Sequence[int], count: int) -> Iterator[tuple[int, ...]]:
    """Yield each way to deal a count out over groups of a size."""
    if not totals:
        if count == 0:
            yield ()
        return
    first, *rest = totals
    for inside in range(max(0, count - sum(rest)), min(first, count) + 1):
        for others in _ways(rest, count - inside):
            yield inside, *others


def order_rank(units: int, content_frac: float, confidence_frac: float, *, both: bool) -> int:
    """Return the largest rank (1: the extreme value) that is a tolerance limit; 0: too few units.

    Source: Wilks (1941): the content between two order statistics has a beta distribution. With m
    values left out in all, the confidence is P(Binomial(n, 1 - content) >= m), m = r for one limit,
    2 r for both. ISO 16269-6, clause on distribution-free intervals (from memory).
    """
    _check_fractions(content_frac, confidence_frac)
    from scipy.stats import binom

    # The quantile is the largest m that still has the confidence.
    left_out = int(binom.ppf(1.0 - confidence_frac, units, 1.0 - content_frac))
    return left_out // (2 if both else 1)


def units_for_rank(content_frac: float, confidence_frac: float, *, both: bool) -> int:
    """Return the least number of units whose extreme values are tolerance limits."""
    _check_fractions(content_frac, confidence_frac)
    # at least: with one limit 1 - p^n >= confidence
    units = math.ceil(math.log1p(-confidence_frac) / math.log(content_frac))
    while order_rank(units, content_frac, confidence_frac, both=both) < 1:
        units += 1
    return units


def one_sided_factor(units: int, content_frac: float, confidence_frac: float) -> float:
    """Return k so that mean + k s lies above ``content_frac`` of a normal population.

    Source: k = t'(confidence; n - 1, z sqrt(n)) / sqrt(n), t' the quantile of the non-central t
    distribution, z that of the normal one at the content. NIST e-Handbook 7.2.6.3; ISO 16269-6
    (from memory).
    """
    _check_fractions(content_frac, confidence_frac)
    from scipy.stats import nct, norm

    root = math.sqrt(units)
    return float(nct.ppf(confidence_frac, units - 1, norm.ppf(content_frac) * root)) / root


def two_sided_factor(units: int, content_frac: float, confidence_frac: float) -> float:
    """Return k so that mean - k s and mean + k s hold ``content_frac`` of a normal population.

    Source: The exact factor (ISO 16269-6, from memory): an interval of half-width r about a mean
    that is off by x standard deviations holds P(x + r) - P(x - r) of a normal population, so r^2 is
    a quantile of the non-central chi-squared distribution with one degree of freedom; s is large
    enough for it with the chance P(chi2 > (n - 1) r(x)^2 / k^2), which is averaged over x, normal
    with variance 1/n. Howe's formula (NIST e-Handbook 7.2.6.3) is where the search begins.
    """
    _check_fractions(content_frac, confidence_frac)
    import numpy as np
    from scipy.optimize import brentq
    from scipy.stats import chi2, ncx2, norm

    dof = units - 1
    # Gauss-Hermite: weights for a normal x; the integrand is smooth.
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    squared_widths = ncx2.ppf(content_frac, 1, nodes**2 / units)

    def lacking(factor: float) -> float:
        enough = chi2.sf(dof * squared_widths / factor**2, dof)
        return float(weights @ enough / weights.sum()) - confidence_frac

    quantile = float(chi2.ppf(1.0 - confidence_frac, dof))
    z = float(norm.ppf(0.5 * (1.0 + content_frac)))
    howe = z * math.sqrt(dof * (1.0 + 1.0 / units) / quantile)
    return float(brentq(lacking, 0.5 * howe, 2.0 * howe, xtol=1e-10))


def looks_normal(values: Sequence[float]) -> bool:
    """Return True if nothing speaks against a normal distribution; too few values or a constant do.

    Source: D'Agostino and Pearson's test of skewness and kurtosis together, at 1 % (textbook).
    """
    if len(values) < _LEAST_VALUES or max(values) == min(values):
        return False
    from scipy.stats import normaltest

    return bool(normaltest(values).pvalue >= _SIGNIFICANCE)


def _check_fractions(*fractions: float) -> None:
    if not all(0.0 < one < 1.0 for one in fractions):
        raise ValueError("a content and a confidence lie between 0 and 1")
