"""From figures to judged checks: uncertainty, verdict, and the row of the record."""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.judge.propagate import Estimate
from harness.judge.uncertainty import combine
from harness.judge.verdict import decide
from harness.profile.check import Check
from harness.profile.measures import Situation
from harness.profile.plan import PlannedStep
from harness.record.events import EventKind
from harness.record.sink import CheckRow
from harness.run.context import Context
from harness.run.figures import figures_across, is_across, of_hold, rests_on
from harness.run.rest import Hold

#: A figure that nothing was read for.
UNKNOWN = Estimate(value=math.nan)
#: In steps of these the checks are judged at every level, each by a name of its own.
_AT_EVERY_LEVEL = {Situation.CORNERS, Situation.LOAD_POINTS}


def needed_readings(context: Context, step: PlannedStep) -> frozenset[str]:
    """Measure names to read in a hold for the step's checks, beside the supply's samples."""
    names = (name for check in step.checks for name in rests_on(context, check))
    return frozenset(name for name in names if not name.startswith("supply."))


def judge_checks(context: Context, step: PlannedStep, hold: Hold) -> None:
    """Judge every check of a step that is made of one hold."""
    point = hold.level.load
    for check in step.checks:
        elsewhere = check.at is not None and (point is None or check.at != point.value)
        if is_across(check) or elsewhere:
            continue
        everywhere = step.step.situations & _AT_EVERY_LEVEL and check.at is None
        name = f"{check.name} at {hold.level.label}" if everywhere else check.name
        judge(context, step, check, of_hold(context, check, hold), name=name, holds=(hold,))


def judge_across(context: Context, step: PlannedStep, holds: Sequence[Hold]) -> None:
    """Judge every check of a step that compares its holds."""
    for check in filter(is_across, step.checks):
        for suffix, estimate in figures_across(context, step, check, holds):
            judge(context, step, check, estimate, name=f"{check.name}{suffix}", holds=holds)


def judge_dropped(context: Context) -> None:
    """Enter the checks this bench cannot make: nothing was proved, so they are undecided."""
    for step in context.plan.steps:
        context.step_name = step.name
        for check, why in step.dropped:
            context.event(EventKind.NOT_CHECKED, f"{check.name}: {why}")
            judge(context, step, check, UNKNOWN)


def judge_undone(context: Context, step: PlannedStep, why: str) -> None:
    """Enter the checks of a step that could not be carried out: undecided."""
    context.event(EventKind.NOT_DONE, why)
    for check in step.checks:
        judge(context, step, check, UNKNOWN)


def judge(
    context: Context,
    step: PlannedStep,
    check: Check,
    estimate: Estimate,
    *,
    name: str = "",
    stated: bool = True,
    holds: Sequence[Hold] = (),
) -> CheckRow:
    """Judge one figure, made of these holds, and enter it into the record.

    A figure that nobody ``stated`` an accuracy for is compared as it is, by the simple rule, and
    the record names no uncertainty.
    """
    uncertainty = combine(estimate.contributions)
    expanded = uncertainty.expanded if math.isfinite(uncertainty.expanded) else math.nan
    decision = decide(
        estimate.value, low=check.low, high=check.high, expanded=expanded, rule=check.rule
    )
    row = CheckRow(
        step=step.name,
        check=name or check.name,
        quantity=check.measure,
        value=estimate.value,
        unit=check.unit,
        low=check.low,
        high=check.high,
        uncertainty=expanded if stated else math.nan,
        rule=check.rule,
        verdict=decision.verdict.value,
        margin=decision.margin,
        budget=uncertainty.contributions,
    )
    readings = rests_on(context, check)
    context.judged(row, [(hold.number, reading) for hold in holds for reading in readings])
    return row
