"""Quantiles of Student's t, without a statistics library.

A verdict, and the settling rule, are worked out while a unit is under power. Importing a library
for one quantile would leave the readings unwatched for a third of a second at that moment, so the
finite series for whole degrees of freedom stand here instead.
"""

from __future__ import annotations

import math
from statistics import NormalDist

__all__ = ["student_quantile", "student_within"]

#: Above this many degrees of freedom the expansion is right to ten digits, and the series long.
_MANY = 400
#: Above this many the normal distribution differs by less than a millionth.
_NORMAL = 200_000


def student_quantile(dof: int, probability: float) -> float:
    """Two-sided quantile: the t that Student's variable stays within with a given probability.

    Args:
        dof: Degrees of freedom, 1 or more.
        probability: Probability of -t < T < t, above 0 and not above 1 - 1e-9, past which the
            difference from 1 has too few digits left.

    Returns:
        The quantile t.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4 (finite
        series of the distribution), 26.7.5 (expansion for many degrees of freedom); from memory.
    """
    if dof > _MANY:
        return _expanded(dof, probability)
    # The series are in the angle atan(t / sqrt(dof)). In it the distribution rises ever less
    # steeply, so Newton's steps from nought come up to the root without passing it.
    steepest = (
        2.0 * math.exp(math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2)) / math.sqrt(math.pi)
    )
    angle = 0.0
    while True:
        missing = probability - _within(dof, angle)
        step = missing / (steepest * math.cos(angle) ** (dof - 1))
        angle += step
        if step <= 1e-15 * angle:
            return math.sqrt(dof) * math.tan(angle)


def student_within(dof: int, t: float) -> float:
    """Probability that Student's variable lies within plus or minus ``t``.

    Args:
        dof: Degrees of freedom, 1 or more.
        t: The bound, not negative; may be infinite.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4; from
        memory.
    """
    if dof > _NORMAL:
        return math.erf(t / math.sqrt(2.0))
    return _within(dof, math.atan(t / math.sqrt(dof)))


def _within(dof: int, angle: float) -> float:
    """Probability that T lies within plus or minus sqrt(dof) * tan(angle)."""
    sine, cosine = math.sin(angle), math.cos(angle)
    odd = dof % 2
    term = cosine if odd else 1.0
    total = 0.0
    # dof // 2 terms, from one to the next by cos^2 times 2/3, 4/5 ... (odd) or 1/2, 3/4 ... (even).
    for factor in range(2 if odd else 1, dof, 2):
        total += term
        term *= cosine * cosine * factor / (factor + 1)
    return 2.0 / math.pi * (angle + sine * total) if odd else sine * total


def _expanded(dof: int, probability: float) -> float:
    x = NormalDist().inv_cdf(0.5 + probability / 2.0)
    square = x * x
    terms = (
        (square + 1) / 4,
        ((5 * square + 16) * square + 3) / 96,
        (((3 * square + 19) * square + 17) * square - 15) / 384,
        ((((79 * square + 776) * square + 1482) * square - 1920) * square - 945) / 92160,
    )
    return x * (1.0 + sum(term / float(dof) ** power for power, term in enumerate(terms, start=1)))
