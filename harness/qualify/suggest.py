"""Limits from data: what a profile's limits could be, by its healthy units."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from harness.api import plan_for
from harness.files.text_file import quoted
from harness.profile.check import Check
from harness.profile.schema import Profile
from harness.qualify.bounds import (
    looks_normal,
    one_sided_factor,
    order_rank,
    two_sided_factor,
    units_for_rank,
)
from harness.qualify.unit_result import HEALTHY, Judged, UnitResult
from harness.quantity import format_quantity

#: Confidence with which a limit keeps no more healthy units from release than it may.
_CONFIDENCE_FRAC = 0.95


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """Limits for one check, in its SI unit; None for a side without a limit."""

    #: Position of its step in the profile, from 1, and the step's kind.
    step: int
    kind: str
    check: Check
    low: float | None
    high: float | None
    #: How they were found, or why there are none.
    method: str


def propose(
    profile: Profile, rows: Sequence[UnitResult], *, false_reject_frac: float = 1e-3
) -> tuple[Proposal, ...]:
    """Propose limits for every check of a profile, each side that it has, by its healthy units.

    A tolerance interval of the values holds all but ``false_reject_frac`` (between 0 and 1) of
    healthy units. Under the guarded rule a reading must clear its limit by its uncertainty, so the
    limits stand off by the largest met. A check that is judged at several load points gets limits
    that do for all of them.
    """
    judged: dict[tuple[str, str, str], list[Judged]] = {}
    for row in rows:
        for one in row.checks if row.kind == HEALTHY else ():
            judged.setdefault((one.step, one.check, one.quantity), []).append(one)
    proposals = []
    # Rows carry the names of the plan: steps of one name are numbered there, and a check judged at
    # every load point has the point in its name.
    for planned in plan_for(profile).steps:
        for check in planned.step.checks:
            points = [
                values
                for (step, name, quantity), values in judged.items()
                if (step, quantity) == (planned.name, check.measure)
                and (name == check.name or name.startswith(f"{check.name} at "))
            ]
            low, high, method = _limits(check, points, 1.0 - false_reject_frac)
            proposals.append(
                Proposal(
                    step=planned.number,
                    kind=planned.kind,
                    check=check,
                    low=low if check.low is not None else None,
                    high=high if check.high is not None else None,
                    method=method,
                )
            )
    return tuple(proposals)


def toml_of(proposals: Iterable[Proposal], *, false_reject_frac: float) -> str:
    """Return proposals as TOML to paste into the steps of a profile, with what they rest on."""
    lines = []
    step = limits = 0
    for one in proposals:
        if one.step != step:
            step = one.step
            lines += ["", f"# step {step} ({one.kind})"]
        check = one.check
        lines += ["", "[[steps.checks]]", f"# {one.method}"]
        lines += [f"name    = {quoted(check.name)}", f"measure = {quoted(check.measure)}"]
        if check.at is not None:
            lines.append(f"at      = {quoted(check.level or format_quantity(check.at, 'A'))}")
        for side, limit in (("low", one.low), ("high", one.high)):
            if limit is not None:
                limits += 1
                text = format_quantity(limit, check.unit, 6)
                lines.append(f"{side:7} = {text if check.unit == '1' else quoted(text)}")
    one_check, any_check = (format_quantity(n * false_reject_frac, "%") for n in (1, limits))
    head = [
        f"# Limits from simulated healthy units: at most {one_check} of them fail one check (95 %",
        f"# confidence), so at most {any_check} fail any of",
        f"# {limits} limits. A limit must also catch what is faulty: qualify the profile again.",
    ]
    return "\n".join([*head, *lines]) + "\n"


def _limits(
    check: Check, points: list[list[Judged]], content_frac: float
) -> tuple[float | None, float | None, str]:
    """Return limits that do for every point a check is judged at, and how they were found."""
    if not points:
        return None, None, "no data"
    both = check.low is not None and check.high is not None
    found = []
    for values in points:
        limits, method = _interval(values, content_frac, both=both)
        if limits is None:
            return None, None, method
        found.append((*limits, method))
    lows, highs, methods = zip(*found, strict=True)
    guarded = check.rule == "guarded"
    # what a reading must clear its limit by
    room = max(one.uncertainty for values in points for one in values) if guarded else 0.0
    low, high = min(lows) - room, max(highs) + room
    return _outward(low, high, math.floor), _outward(high, low, math.ceil), methods[0]


def _interval(
    judged: Sequence[Judged], content_frac: float, *, both: bool
) -> tuple[tuple[float, float] | None, str]:
    """Return low and high for one point, and how they were found."""
    values = sorted(one.value for one in judged if math.isfinite(one.value))
    units = len(values)
    rank = order_rank(units, content_frac, _CONFIDENCE_FRAC, both=both) if units else 0
    if rank:
        method = f"by order statistics: rank {rank} of {units} healthy units"
        return (values[rank - 1], values[-rank]), method
    if looks_normal(values):
        factor_of = two_sided_factor if both else one_sided_factor
        factor = factor_of(units, content_frac, _CONFIDENCE_FRAC)
        mean, deviation = fmean(values), stdev(values)
        method = f"by normal theory: mean and {factor:.3g} s of {units} healthy units"
        return (mean - factor * deviation, mean + factor * deviation), method
    needed = units_for_rank(content_frac, _CONFIDENCE_FRAC, both=both)
    return None, f"no limit: not normal, and {needed} healthy units are needed, not {units}"


def _outward(limit: float, other: float, rounding: Callable[[float], int]) -> float:
    """Round a limit outward, to a hundredth of the interval or so."""
    width = abs(limit - other)
    if width <= 0.0 or not math.isfinite(width):
        return limit
    step = 10.0 ** math.floor(math.log10(width) - 1.0)
    return float(f"{rounding(limit / step) * step:.12g}")
