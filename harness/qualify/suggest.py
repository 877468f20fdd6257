"""Limits from data: what a profile's limits could be, by its healthy units."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.profile.check import Check
from harness.profile.schema import Profile
from harness.qualify.tolerance import (
    looks_normal,
    one_sided_factor,
    order_rank,
    two_sided_factor,
    units_for_rank,
)
from harness.qualify.unit_result import HEALTHY, Judged, UnitResult
from harness.quantity import format_quantity

__all__ = ["Proposal", "propose", "toml_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """Limits for one check.

    Attributes:
        step: Position of its step in the profile, from 1.
        kind: Kind of the step.
        check: The check as the profile has it.
        low: Lower limit in the measure's SI unit, or None where the check has none.
        high: Upper limit, or None likewise.
        method: How they were found, or why there are none.
        units: Readings they rest on: the fewest of its points.
    """

    step: int
    kind: str
    check: Check
    low: float | None
    high: float | None
    method: str
    units: int


def propose(
    profile: Profile,
    rows: Sequence[UnitResult],
    *,
    false_reject_frac: float = 1e-3,
    confidence_frac: float = 0.95,
) -> tuple[Proposal, ...]:
    """Propose limits for every check of a profile, each side that it has.

    A tolerance interval of the values holds all but ``false_reject_frac`` of healthy units. Under
    the guarded rule a reading must clear its limit by its uncertainty, so the limits stand off by
    the largest uncertainty met. A check that is judged at several load points gets limits that do
    for all of them.

    Args:
        profile: The profile.
        rows: Rows of a campaign over it; only healthy units are used.
        false_reject_frac: Share of healthy units that one check may keep from release.
        confidence_frac: Confidence with which it is no more.

    Raises:
        ValueError: The share or the confidence does not lie between 0 and 1.
    """
    healthy = [row for row in rows if row.kind == HEALTHY]
    return tuple(
        _proposal(number, kind, check, points, 1.0 - false_reject_frac, confidence_frac)
        for number, kind, check, points in _by_check(profile, healthy)
    )


def toml_of(proposals: Iterable[Proposal], *, false_reject_frac: float) -> str:
    """Return proposals as TOML to paste into the steps of a profile, with what they rest on."""
    lines = []
    step = 0
    share = format_quantity(false_reject_frac, "%")
    limits = 0
    for one in proposals:
        if one.step != step:
            step = one.step
            lines += ["", f"# step {step} ({one.kind})"]
        check = one.check
        lines += ["", "[[steps.checks]]", f"# {one.method}"]
        lines += [f"name    = {_quoted(check.name)}", f"measure = {_quoted(check.measure)}"]
        if check.at is not None:
            lines.append(f"at      = {_quoted(format_quantity(check.at, 'A'))}")
        for side, limit in (("low", one.low), ("high", one.high)):
            if limit is not None:
                limits += 1
                lines.append(f"{side:7} = {_limit(limit, check.unit)}")
    head = [
        f"# Limits from simulated healthy units: at most {share} of them fail one check (95 %",
        f"# confidence), so at most {format_quantity(limits * false_reject_frac, '%')} fail any of",
        f"# {limits} limits. A limit must also catch what is faulty: qualify the profile again.",
    ]
    return "\n".join([*head, *lines]) + "\n"


def _by_check(
    profile: Profile, healthy: Sequence[UnitResult]
) -> Iterator[tuple[int, str, Check, list[list[Judged]]]]:
    """Yield every check with its readings, a list for each point it is judged at.

    Rows carry the names of the plan: steps of one name are numbered there, and a check judged at
    every load point has the point in its name.
    """
    from harness.api import plan_for

    for planned in plan_for(profile).steps:
        for check in planned.step.checks:
            points: dict[str, list[Judged]] = {}
            for row in healthy:
                for one in row.checks:
                    same = one.check == check.name or one.check.startswith(f"{check.name} at ")
                    if one.step == planned.name and same and one.quantity == check.measure:
                        points.setdefault(one.check, []).append(one)
            yield planned.number, planned.kind, check, list(points.values())


def _proposal(
    number: int,
    kind: str,
    check: Check,
    points: list[list[Judged]],
    content_frac: float,
    confidence_frac: float,
) -> Proposal:
    both = check.low is not None and check.high is not None
    found = [_interval(values, content_frac, confidence_frac, both=both) for values in points]
    known = [one for one in found if one[0] is not None]
    low = high = None
    if len(known) == len(found) and known:
        room = _room(check, points)
        low = min(one[0][0] for one in known if one[0]) - room
        high = max(one[0][1] for one in known if one[0]) + room
        low, high = _outward(low, high, math.floor), _outward(high, low, math.ceil)
    method = next((one[1] for one in found if one[0] is None), found[0][1] if found else "no data")
    return Proposal(
        step=number,
        kind=kind,
        check=check,
        low=low if check.low is not None else None,
        high=high if check.high is not None else None,
        method=method,
        units=min((len(values) for values in points), default=0),
    )


def _room(check: Check, points: list[list[Judged]]) -> float:
    """Largest uncertainty a reading must clear its limit by."""
    if check.rule != "guarded":
        return 0.0
    return max(one.uncertainty for values in points for one in values)


def _interval(
    judged: Sequence[Judged], content_frac: float, confidence_frac: float, *, both: bool
) -> tuple[tuple[float, float] | None, str]:
    """Return low and high for one point, and how they were found."""
    values = sorted(one.value for one in judged if math.isfinite(one.value))
    units = len(values)
    rank = order_rank(units, content_frac, confidence_frac, both=both) if units else 0
    if rank:
        method = f"by order statistics: rank {rank} of {units} healthy units"
        return (values[rank - 1], values[-rank]), method
    if looks_normal(values):
        factor = (two_sided_factor if both else one_sided_factor)(
            units, content_frac, confidence_frac
        )
        mean = math.fsum(values) / units
        deviation = math.sqrt(math.fsum((one - mean) ** 2 for one in values) / (units - 1))
        method = f"by normal theory: mean and {factor:.3g} s of {units} healthy units"
        return (mean - factor * deviation, mean + factor * deviation), method
    needed = units_for_rank(content_frac, confidence_frac, both=both)
    return None, f"no limit: not normal, and {needed} healthy units are needed, not {units}"


def _outward(limit: float, other: float, rounding: object) -> float:
    """Round a limit outward, to a hundredth of the interval or so."""
    width = abs(limit - other)
    if width <= 0.0 or not math.isfinite(width):
        return limit
    assert callable(rounding)
    step = 10.0 ** math.floor(math.log10(width) - 1.0)
    return float(f"{rounding(limit / step) * step:.12g}")


def _limit(limit: float, unit: str) -> str:
    text = format_quantity(limit, unit, 6)
    return text if unit == "1" else _quoted(text)


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)
