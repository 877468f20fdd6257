"""Uncertainty of a measured value: contributions, their combination, and coverage.

What is not known is never filled in. One reading without a word on its scatter, or a series with a
gap, gives a standard uncertainty that is not finite, and :func:`harness.judge.verdict.decide` calls
a check with such an uncertainty undecided.

Student's t comes from :mod:`scipy.special`. What shows records and pages needs none and is not to
wait a third of a second for it, so it is imported where it is used; a run has it, with the rest of
scipy, before power is on (:mod:`harness.judge.least_squares`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Contribution:
    """One cause of uncertainty, such as ``meter accuracy``."""

    name: str
    standard: float  # standard uncertainty u of the input quantity, in its unit
    dof: float = math.inf  # of u; infinite where u is a stated bound
    sensitivity: float = 1.0  # change of the result for each unit of the input quantity
    unit: str = ""  # of the input quantity, for whoever reads the budget
    #: ``rectangular`` for a stated bound, ``t`` for scatter, ``normal`` where nothing else is
    #: known.
    distribution: str = "normal"

    @property
    def share(self) -> float:
        """What the cause adds to the result, ``|sensitivity| * standard``, in its unit."""
        return abs(self.sensitivity) * self.standard


@dataclass(frozen=True, kw_only=True, slots=True)
class Uncertainty:
    """The uncertainty of a result, in its unit."""

    standard: float
    dof: float  # effective, cut to a whole number
    coverage: float  # coverage factor k
    expanded: float  # U = k * standard
    contributions: tuple[Contribution, ...]


def rectangular(name: str, half_width: float, *, unit: str = "") -> Contribution:
    """A stated bound: anywhere within plus or minus ``half_width`` is equally likely.

    It is in the ``unit`` of the reading and not negative; for the resolution of a display it is
    half a digit.

    Source: JCGM 100:2008, 4.3.7; F.2.2.1 for the resolution of a display.
    """
    if half_width < 0:
        raise ValueError(f"{name}: a bound cannot be negative: {half_width}")
    standard = half_width / math.sqrt(3.0)
    return Contribution(name=name, standard=standard, unit=unit, distribution="rectangular")


def standard_deviation(samples: FloatArray) -> float:
    """Experimental standard deviation with n - 1; nan below two values.

    ``samples`` has the shape (n,).

    Source: JCGM 100:2008, 4.2.2; two passes with the mean's rounding error taken out again
        (textbook).
    """
    deviation = _deviations(samples)
    n = deviation.size
    if n < 2:
        return math.nan
    # By the definition of the mean the sum is zero; what is left of it is rounding.
    left = float(deviation.sum())
    return math.sqrt(max(float(deviation @ deviation) - left * left / n, 0.0) / (n - 1))


def autocorrelations(samples: FloatArray) -> FloatArray:
    """Autocorrelation coefficients for every lag from 0 to n - 1; nan for a constant series.

    ``samples`` are in the order of time, evenly spaced, shape (n,).

    Source: the definition by which the NIST Statistical Reference Datasets certify that for lag 1:
        products of deviations, so many readings apart, over the squares of all, both about the mean
        of all.
    """
    deviations = _deviations(samples)
    n, largest = deviations.size, float(np.abs(deviations).max(initial=0.0))
    if not 0.0 < largest < math.inf:
        return np.full(n, math.nan)
    deviations = deviations / largest  # so that no square runs out of range
    square = float(deviations @ deviations)
    spectrum = np.fft.rfft(deviations, 2 * n)  # twice as long: the end must not meet the beginning
    products: FloatArray = np.fft.irfft(spectrum * spectrum.conj(), 2 * n)[:n]
    return products / square


def _deviations(samples: FloatArray) -> FloatArray:
    """Deviations from the mean; the second pass corrects the first one's rounding."""
    values = np.asarray(samples, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"a series has one dimension, not the shape {values.shape}")
    if values.size == 0:
        return values
    rough = float(values.mean())
    deviations: FloatArray = values - (rough + float((values - rough).mean()))
    return deviations


def scatter(
    name: str, samples: FloatArray, *, single_reading: bool = False, unit: str = ""
) -> Contribution:
    """Scatter of the mean of several readings (type A), in the unit of the readings.

    Readings of a running instrument follow each other faster than its filter forgets, so they are
    not independent: they count as fewer (:func:`effective_number`), both for the standard
    uncertainty and for its degrees of freedom. By simulation, an interval meant for 95 % then
    covers 92 % for 20 readings with a correlation of 0.6, where it covers 66 % if they count in
    full; noise of several seconds beneath noise from reading to reading needs some hundred readings
    to be seen.

    One reading tells nothing about its scatter: the contribution is infinite, with no degree of
    freedom, unless ``single_reading`` says that one is what the instrument's stated accuracy is
    for; then it is zero. No reading, or one that is no number, gives nan or infinity, too.

    ``samples`` are in the order of time, evenly spaced, shape (n,).

    Source: JCGM 100:2008, 4.2.3 and 4.2.7 (correlated observations); the effective number also in
        the estimate of the variance: A. Zieba, Metrology and Measurement Systems 17 (2010), 3 (from
        memory).
    """
    standard, dof = _of_mean(samples, single_reading=single_reading)
    return Contribution(name=name, standard=standard, dof=dof, unit=unit, distribution="t")


def effective_number(deviations: FloatArray, fitted: int) -> float:
    """How many independent readings n readings are worth for the mean of them, or a line.

    ``deviations`` of the readings from what was fitted to them are in the order of time, evenly
    spaced, shape (n,); ``fitted`` is 1 for their mean, 2 for a line. The fewer of two estimates:

    - from the lag-1 autocorrelation r alone, as for a series of the first order, n (1 - r) / (1 +
      r). What was fitted takes some of the correlation with it: r is put right for that.
    - from all correlations up to the first that is not positive: n / (1 + 2 sum r_k). It sees what
      changes slowly beneath noise from reading to reading, where neighbours hardly agree.

    At most n, and never fewer than leave one degree of freedom.

    Source: JCGM 100:2008, 4.2.7; the first-order series, textbook; the bias of r of a series less
        its mean, (1 + 3 r) / n, M. G. Kendall and F. H. C. Marriott and J. A. Pope, Biometrika 41
        (1954), and of one less its line, (2 + 4 r) / n (both from memory); the sum up to the first
        zero, A. Zieba and P. Ramza, Metrology and Measurement Systems 18 (2011), 529 (from memory).
    """
    n, least = deviations.size, fitted + 1.0
    correlations = autocorrelations(deviations)
    if n <= fitted + 2 or math.isnan(correlations[1]):
        return float(n)  # too few to tell, or all alike
    r = (n * float(correlations[1]) + fitted) / (n - fitted - 2)
    by_neighbours = n * (1.0 - r) / (1.0 + r) if r > 0.0 else n
    ends = np.flatnonzero(correlations <= 0.0)  # there is one: all of them sum up to 1/2
    by_time = n / (2.0 * float(correlations[: ends[0]].sum()) - 1.0)
    return max(min(by_neighbours, by_time), least)


def _of_mean(values: FloatArray, *, single_reading: bool) -> tuple[float, float]:
    """Standard uncertainty of the mean of readings, and its degrees of freedom."""
    n = values.size
    if n < 2:
        known = n == 1 and single_reading and bool(np.isfinite(values).all())
        return (0.0, math.inf) if known else (math.inf, 0.0)
    if not np.isfinite(values).all():
        return math.nan, 0.0
    independent = effective_number(_deviations(values), 1)
    # s^2 = sum of squares / (n - 1) holds for independent readings; of n that are worth fewer the
    # mean takes more than one reading's share of the sum with it
    share = (n - 1) / n / (independent - 1.0)
    return standard_deviation(values) * math.sqrt(share), independent - 1.0


def effective_dof(contributions: Iterable[Contribution]) -> float:
    """Effective degrees of freedom of independent contributions, not yet cut to a whole number.

    Infinite where no contribution has a finite number, nan where a standard uncertainty is not
    finite.

    Source: JCGM 100:2008, G.4.1, equation G.2b (Welch-Satterthwaite).
    """
    parts = tuple(contributions)
    total = math.hypot(*(part.share for part in parts))
    if not math.isfinite(total):
        return math.nan
    if total == 0.0:
        return math.inf
    # Shares of the total, so that nothing to the fourth power runs out of range.
    rest = sum(
        (part.share / total) ** 4 / part.dof if part.dof > 0 else math.inf
        for part in parts
        if part.share > 0
    )
    return 1.0 / rest if rest > 0 else math.inf


def combine(contributions: Iterable[Contribution], *, probability: float = 0.95) -> Uncertainty:
    """Combine independent contributions into the uncertainty of the result.

    Each has its sensitivity. None at all gives zero; where one is not finite, neither are the
    result's figures.

    Source: JCGM 100:2008, 5.1.2 (root sum square), G.4.1 (Welch-Satterthwaite, degrees of freedom
        cut to the next lower whole number), G.3 and G.6.4 (Student's t).
    """
    parts = tuple(contributions)
    standard = math.hypot(*(part.share for part in parts))
    dof = _whole(effective_dof(parts))
    coverage = coverage_factor(dof, probability)
    return Uncertainty(
        standard=standard,
        dof=dof,
        coverage=coverage,
        expanded=coverage * standard,
        contributions=parts,
    )


@lru_cache(maxsize=1024)
def coverage_factor(dof: float, probability: float = 0.95) -> float:
    """Coverage factor k: the two-sided quantile of Student's t.

    ``dof`` is cut to the next lower whole number; infinite for the normal distribution. Below 1
    nothing can be said: infinite, and nan for nan.

    Raises:
        ValueError: If the probability is not above 0 and at most 1 - 1e-9.

    Source: JCGM 100:2008, G.3.2, G.4.1 (the cut) and Table G.2.
    """
    if not 0.0 < probability <= 1.0 - 1e-9:
        raise ValueError(f"a coverage probability lies between 0 and 1, not at {probability}")
    if math.isnan(dof):
        return math.nan
    if dof < 1.0:
        return math.inf
    from scipy.special import ndtri, stdtrit

    one_sided = 0.5 + probability / 2.0
    if math.isinf(dof):
        return float(ndtri(one_sided))
    return float(stdtrit(_whole(dof), one_sided))


def _whole(dof: float) -> float:
    """Cut to the next lower whole number, with a rounding error forgiven: nine is not eight."""
    if not math.isfinite(dof):
        return dof
    return float(math.floor(dof * (1.0 + 1e-12)))
