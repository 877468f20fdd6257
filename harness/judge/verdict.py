"""Decision rules: from a value, its limits and its expanded uncertainty to a verdict.

A guard band wider than half the distance between two limits leaves no acceptance interval: such a
check can never pass under the guarded rule, however good the unit. That is meant: the instrument is
not good enough for the limits, and the verdict says ``undecided``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

#: Limits are decimal text, so 12.600 - 0.060 misses 12.540 by one rounding error. A value counts as
#: on a limit within this share of the limit (or of the guard band, where that is larger): ten
#: thousand times coarser than double rounding, a million times finer than the best bench meter.
_ROUNDING = 1e-12


class Verdict(StrEnum):
    """What a check, or a whole run, proved."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, kw_only=True, slots=True)
class Decision:
    """A verdict and how close it was."""

    verdict: Verdict
    #: From the value to the nearer limit, less the guard band, in the value's unit: not negative
    #: when accepted, negative otherwise, nan where there is no number.
    margin: float


def decide(
    value: float,
    *,
    low: float | None,
    high: float | None,
    expanded: float,
    rule: Literal["guarded", "simple"],
) -> Decision:
    """Judge a value against its limits; one of the two is needed.

    ``guarded``, with a guard band w = U at each limit: pass inside the limits by U or more, fail
    outside them by more than U, undecided between. ``simple``: pass inside the limits, fail
    outside; on the limit itself up to half of the values so accepted are really outside. Limits
    belong to the acceptance interval, within a rounding error (a share of 1e-12).

    ``expanded`` is the expanded uncertainty U, about 95 % coverage; it and the limits are in the
    value's unit. A value or an uncertainty that is not finite proves nothing: undecided under
    either rule.

    Raises:
        ValueError: If there is no limit, a limit is not finite, ``low`` lies above ``high``, U is
            negative, or the rule is unknown.

    Source: JCGM 106:2012, 8.2 (simple acceptance) and 8.3.2 (guarded acceptance); ILAC-G8:09/2019,
        4.2 (guard band w = U); clause numbers from memory.
    """
    _require_limits(low, high)
    if expanded < 0:
        raise ValueError(f"an expanded uncertainty cannot be negative: {expanded}")
    if rule not in ("guarded", "simple"):
        raise ValueError(f"unknown decision rule {rule!r}: use 'guarded' or 'simple'")
    if not (math.isfinite(value) and math.isfinite(expanded)):
        return Decision(verdict=Verdict.UNDECIDED, margin=math.nan)

    guard = expanded if rule == "guarded" else 0.0
    margin = math.inf
    accepted, rejected = True, False
    for limit, inward in ((low, 1.0), (high, -1.0)):
        if limit is None:
            continue
        slack = _ROUNDING * max(abs(limit), guard)
        # The sums are formed on the limit's side, as a person works out an acceptance limit.
        inside = inward * (value - (limit + inward * guard))
        beyond = inward * ((limit - inward * guard) - value)
        margin = min(margin, inside)
        accepted = accepted and inside >= -slack
        rejected = rejected or beyond > slack
    if accepted:
        return Decision(verdict=Verdict.PASS, margin=max(margin, 0.0))
    verdict = Verdict.FAIL if rejected else Verdict.UNDECIDED
    return Decision(verdict=verdict, margin=margin)


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """Sum up verdicts: one failure fails, else one undecided leaves it undecided, else pass.

    No verdict at all is undecided, since nothing was proved.
    """
    seen = set(verdicts)
    if Verdict.FAIL in seen:
        return Verdict.FAIL
    if Verdict.UNDECIDED in seen or not seen:
        return Verdict.UNDECIDED
    return Verdict.PASS


def probability_of_conformity(
    value: float,
    *,
    low: float | None,
    high: float | None,
    standard_uncertainty: float,
    dof: float = math.inf,
) -> float:
    """Probability that the true value lies within the limits, of which one is needed.

    One less this probability is the risk that a check which passed was accepted wrongly (specific
    consumer's risk); the probability itself is the risk that one which failed was rejected wrongly.

    The true value is taken to follow a normal distribution about the measured one, or, where few
    readings stand behind the uncertainty, Student's t, shifted and scaled: so a value on the
    acceptance limit of the guarded rule has the same 2.5 % beyond its limit however many there are.

    With a standard uncertainty of 0 the value itself is the truth. ``dof`` is cut to a whole
    number; below 1, or if the value or the uncertainty is not finite, nothing can be said: nan.

    Raises:
        ValueError: If there is no limit, a limit is not finite, ``low`` lies above ``high``, or u
            is negative.

    Source: JCGM 106:2012, clause 7 (7.2 to 7.4), 9.3.2 (specific risks), clause numbers from
        memory; JCGM 101:2008, 6.4.9 (Student's t about a mean).
    """
    _require_limits(low, high)
    if standard_uncertainty < 0:
        raise ValueError(f"a standard uncertainty cannot be negative: {standard_uncertainty}")
    if not (math.isfinite(value) and math.isfinite(standard_uncertainty)):
        return math.nan
    if math.isnan(dof) or dof < 1:
        return math.nan
    if standard_uncertainty == 0:
        inside = (low is None or low <= value) and (high is None or value <= high)
        return 1.0 if inside else 0.0
    below = -math.inf if low is None else (low - value) / standard_uncertainty
    above = math.inf if high is None else (high - value) / standard_uncertainty
    if below > 0:  # Both limits lie above: the upper tail keeps the digits the lower would lose.
        below, above = -above, -below
    return _below(above, dof) - _below(below, dof)


def _below(z: float, dof: float) -> float:
    """Share of the distribution below ``z``."""
    from scipy.special import ndtr, stdtr  # in a run it is there before power is on

    return float(ndtr(z) if math.isinf(dof) else stdtr(math.floor(dof), z))


def _require_limits(low: float | None, high: float | None) -> None:
    limits = [limit for limit in (low, high) if limit is not None]
    if not limits:
        raise ValueError("a check needs a lower limit, an upper limit, or both")
    if not all(math.isfinite(limit) for limit in limits):
        raise ValueError(f"a limit must be a finite number: low {low}, high {high}")
    if low is not None and high is not None and low > high:
        raise ValueError(f"the lower limit {low} lies above the upper limit {high}")
