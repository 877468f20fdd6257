"""What stands behind a verdict: the budget summed up, and the risk that the verdict is wrong."""

from __future__ import annotations

import math
from typing import NamedTuple

from harness.judge.uncertainty import Uncertainty, combine
from harness.judge.verdict import probability_of_conformity
from harness.record.sink import CheckRow


class Conformity(NamedTuple):
    """The figures behind one verdict."""

    combined: Uncertainty
    probability: float  #: that the true value lies within the limits
    false_accept: float  #: risk of a wrong acceptance; not-a-number unless the check passed
    false_reject: float  #: risk of a wrong rejection; not-a-number unless it failed


def finite_limits(row: CheckRow) -> tuple[float | None, float | None]:
    """Return lower and upper limit of a check; None for one that is none, or no finite number."""
    low, high = (
        limit if limit is not None and math.isfinite(limit) else None
        for limit in (row.low, row.high)
    )
    return low, high


def conformity(row: CheckRow) -> Conformity | None:
    """Work the figures out from a check and its budget.

    None where there is no budget, no limit or no finite value.

    Source: JCGM 100:2008, 5.1.2 and G.4.1; JCGM 106:2012, clause 7 and 9.3.2 (specific risks),
        clause numbers from memory.
    """
    low, high = finite_limits(row)
    if not row.budget or not math.isfinite(row.value) or (low is None and high is None):
        return None
    if low is not None and high is not None and low > high:
        return None  # no such check is judged; a damaged record can say anything
    combined = combine(row.budget)
    within = probability_of_conformity(
        row.value, low=low, high=high, standard_uncertainty=combined.standard, dof=combined.dof
    )
    return Conformity(
        combined,
        within,
        false_accept=1.0 - within if row.verdict == "pass" else math.nan,
        false_reject=within if row.verdict == "fail" else math.nan,
    )


def share_text(share: float) -> str:
    """Show a probability in per cent, never as a certainty."""
    if math.isnan(share):
        return "not known"
    if share < 1e-4:
        return "< 0.01 %"
    if share > 1 - 1e-4:
        return "> 99.99 %"
    percent = 100 * share
    return f"{percent:.2f} %" if percent < 1 or percent > 99 else f"{percent:.1f} %"
