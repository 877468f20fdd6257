"""Exact bounds of a share counted in a sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Share", "share", "units_needed"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Share:
    """A share of units, with its bounds.

    Attributes:
        count: Units of this kind.
        total: Units in all.
        low_frac: Lower bound.
        high_frac: Upper bound.
    """

    count: int
    total: int
    low_frac: float
    high_frac: float

    @property
    def frac(self) -> float:
        """The share itself; not-a-number where there are no units."""
        return self.count / self.total if self.total else math.nan


def share(count: int, total: int, confidence_frac: float = 0.95) -> Share:
    """Return a counted share with its two-sided exact bounds.

    The bounds hold at least at the stated confidence whatever the true share is; each side misses
    in at most half of what is left. Without units nothing is known: from 0 to 1.

    Args:
        count: Units of the kind, 0 to ``total``.
        total: Units in all.
        confidence_frac: Two-sided confidence, between 0 and 1.

    Raises:
        ValueError: The counts or the confidence are none.

    Source:
        Clopper, Pearson (1934): the bounds are quantiles of beta distributions,
        B(a/2; k, n-k+1) and B(1-a/2; k+1, n-k). Edge rule: no lower bound but 0 for k = 0, no
        upper one but 1 for k = n, the other side still at a/2 (NIST e-Handbook 7.2.4.1).
    """
    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share")
    if not 0.0 < confidence_frac < 1.0:
        raise ValueError(f"a confidence lies between 0 and 1, not at {confidence_frac}")
    from scipy.special import betaincinv

    side = 0.5 * (1.0 - confidence_frac)
    rest = total - count
    return Share(
        count=count,
        total=total,
        low_frac=float(betaincinv(count, rest + 1, side)) if count else 0.0,
        high_frac=float(betaincinv(count + 1, rest, 1.0 - side)) if rest else 1.0,
    )


def units_needed(share_frac: float, confidence_frac: float = 0.95) -> int:
    """Return how many units without a single miss show that misses are below a share.

    Args:
        share_frac: The share, between 0 and 1.
        confidence_frac: One-sided confidence.

    Source:
        (1 - p)^n <= 1 - confidence; about 3/p at 95 %, the rule of three. Textbook.
    """
    if not (0.0 < share_frac < 1.0 and 0.0 < confidence_frac < 1.0):
        raise ValueError("share and confidence lie between 0 and 1")
    return math.ceil(math.log(1.0 - confidence_frac) / math.log1p(-share_frac))
