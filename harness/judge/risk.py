"""What a decision rule lets through, and what it holds back, over many units.

The risk of one verdict follows from its reading alone
(:func:`harness.judge.verdict.probability_of_conformity`). How often a rule goes wrong over all
units that come to the bench also depends on how those units spread; whoever sets the limits of a
profile can weigh the two here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["ProcessRisk", "process_risk"]

FloatArray = npt.NDArray[np.float64]

#: How far a normal distribution is followed, in standard deviations: beyond lie 1e-23.
_FAR = 10.0
#: Pieces an interval is cut into; with twelve nodes each, smooth integrands come out to 1e-12.
_PIECES = 64
_NODES = 12


@dataclass(frozen=True, kw_only=True, slots=True)
class ProcessRisk:
    """How often a rule goes wrong over many units, as shares of all units.

    Attributes:
        false_accept: Accepted, though outside the limits (global consumer's risk).
        false_reject: Not accepted, though inside the limits (global producer's risk).
        nonconforming: Outside the limits, whatever the verdict.
        accepted: Accepted, rightly or wrongly.
    """

    false_accept: float
    false_reject: float
    nonconforming: float
    accepted: float

    @property
    def false_among_accepted(self) -> float:
        """Share of the accepted units that lie outside the limits; nan where none is accepted."""
        return self.false_accept / self.accepted if self.accepted > 0 else math.nan


def process_risk(
    *,
    mean: float,
    spread: float,
    standard_uncertainty: float,
    low: float | None = None,
    high: float | None = None,
    guard: float = 0.0,
) -> ProcessRisk:
    """Work out the risks of accepting what reads inside the limits by a guard band or more.

    Units spread normally about ``mean``; a reading spreads normally about the unit's true value.

    Args:
        mean: Mean of the true values over all units.
        spread: Their standard deviation, above 0.
        standard_uncertainty: Standard uncertainty of one reading, above 0.
        low: Lower limit, or None.
        high: Upper limit, or None; one of the two is needed.
        guard: Guard band w: how far inside its limit a reading must lie (negative: may lie
            outside).

    Raises:
        ValueError: If there is no limit, or ``spread`` or the uncertainty is not above 0.

    Source: JCGM 106:2012, 9.5 (global risks), clause number from memory; the integrals are taken
        numerically (Gauss-Legendre, textbook).
    """
    if low is None and high is None:
        raise ValueError("a risk needs a lower limit, an upper limit, or both")
    if not (spread > 0 and standard_uncertainty > 0):
        raise ValueError("the spread of the units and the uncertainty must lie above nought")
    floor = -math.inf if low is None else low
    ceiling = math.inf if high is None else high
    begin, end = mean - _FAR * spread, mean + _FAR * spread
    steps = [limit for limit in (floor + guard, ceiling - guard) if math.isfinite(limit)]

    def accepted(value: FloatArray) -> FloatArray:
        from scipy.special import ndtr

        upper = ndtr((ceiling - guard - value) / standard_uncertainty)
        lower = ndtr((floor + guard - value) / standard_uncertainty)
        share: FloatArray = np.maximum(upper - lower, 0.0)  # a guard band may leave nothing
        return share

    def over(first: float, last: float) -> tuple[float, float]:
        """Share of the units with a true value in an interval, and of those accepted."""
        first, last = max(first, begin), min(last, end)
        if first >= last:
            return 0.0, 0.0
        value, weight = _nodes(first, last, steps, standard_uncertainty)
        z = (value - mean) / spread
        density = weight * np.exp(-0.5 * z * z) / (spread * math.sqrt(2.0 * math.pi))
        return float(density.sum()), float(density @ accepted(value))

    inside, rightly = over(floor, ceiling)
    below, above = over(-math.inf, floor), over(ceiling, math.inf)
    wrongly = below[1] + above[1]
    return ProcessRisk(
        false_accept=wrongly,
        false_reject=inside - rightly,
        nonconforming=below[0] + above[0],
        accepted=rightly + wrongly,
    )


def _nodes(
    first: float, last: float, steps: Iterable[float], width: float
) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights over an interval, close together where acceptance goes from 1 to 0."""
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    cuts = [np.linspace(first, last, _PIECES + 1)]
    cuts += [step + width * np.linspace(-_FAR, _FAR, _PIECES + 1) for step in steps]
    edges = np.unique(np.clip(np.concatenate(cuts), first, last))
    half = (edges[1:] - edges[:-1])[:, np.newaxis] / 2.0
    middle = (edges[1:] + edges[:-1])[:, np.newaxis] / 2.0
    return (middle + half * node).ravel(), (half * weight).ravel()
