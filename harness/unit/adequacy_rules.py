"""Rules that hold a figure of a replacement against the original and against what is needed."""

from __future__ import annotations

import math
from collections.abc import Iterable

from harness.unit.assessment import Adequacy, Finding
from harness.unit.part_fields import shown_figure

__all__ = ["at_least", "finding", "overall", "same", "worst_finding_first"]

#: Without a figure that is needed, so much of the original's will do, with a note.
#: Source: common practice.
_NEARLY_FRAC = 0.8


def same(first: float, second: float) -> bool:
    """Return whether two figures of data sheets are the same, rounding aside."""
    return math.isclose(first, second, rel_tol=1e-6)


def finding(
    item: str,
    unit: str,
    original: float | None,
    fitted: float | None,
    adequacy: Adequacy,
    reason: str = "",
) -> Finding:
    """Return a finding on two figures; a figure that is not given is a dash."""
    return Finding(
        item=item,
        original="-" if original is None else shown_figure(original, unit),
        fitted="-" if fitted is None else shown_figure(fitted, unit),
        adequacy=adequacy,
        reason=reason,
    )


def at_least(
    item: str,
    unit: str,
    original: float | None,
    fitted: float | None,
    *,
    need: float | None = None,
    why: str = "",
    instead: str = "",
) -> tuple[Finding, ...]:
    """Judge a rating of which more is better.

    Args:
        item: What is compared.
        unit: Unit of the figures.
        original: The original's, or None where it is not given.
        fitted: The fitted part's, or None.
        need: What service needs at least, or None where that is not known.
        why: What needs it, such as ``the highest line voltage``.
        instead: What to fit instead, where it is below the need.

    Returns:
        One finding, or none where neither figure is given.

    A figure equal to the need is enough. The need comes first: a part like the original is not
    acceptable where the original was not. Raising ``fitted`` never makes the verdict worse.
    """
    if fitted is None:
        if original is None:
            return ()
        reason = "not given for the fitted part: look it up"
        return (finding(item, unit, original, fitted, Adequacy.NOTE, reason),)
    if need is not None and fitted < need and not same(fitted, need):
        too_low = f"{shown_figure(fitted, unit)} is below {why}, {shown_figure(need, unit)}"
        reason = f"{too_low}; {instead}" if instead else too_low
        return (finding(item, unit, original, fitted, Adequacy.UNACCEPTABLE, reason),)
    if original is None or same(original, fitted):
        return (finding(item, unit, original, fitted, Adequacy.EQUIVALENT),)
    if fitted > original:
        return (finding(item, unit, original, fitted, Adequacy.BETTER),)
    if need is not None:
        reason = f"less than the original's; {why} is {shown_figure(need, unit)}"
        return (finding(item, unit, original, fitted, Adequacy.NOTE, reason),)
    nearly = _NEARLY_FRAC * original
    enough = fitted > nearly or same(fitted, nearly)
    reason = "less than the original's" if enough else "far less than the original's"
    adequacy = Adequacy.NOTE if enough else Adequacy.UNACCEPTABLE
    return (finding(item, unit, original, fitted, adequacy, reason),)


def worst_finding_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Sort findings, the worst first, in their own order within a verdict."""
    return tuple(sorted(findings, key=lambda found: found.adequacy.rank))


def overall(findings: Iterable[Finding]) -> Adequacy:
    """Return the verdict on all findings: the worst, and better only where nothing is worse."""
    found = {finding.adequacy for finding in findings}
    for adequacy in (Adequacy.UNACCEPTABLE, Adequacy.NOTE, Adequacy.BETTER):
        if adequacy in found:
            return adequacy
    return Adequacy.EQUIVALENT
