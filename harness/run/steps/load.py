"""Load: load points at nominal voltage, each held and judged."""

from __future__ import annotations

from harness.bench.commands import LoadCurrent, LoadOff
from harness.profile.plan import PlannedStep
from harness.run.checks import judge_across, judge_checks, needed_readings
from harness.run.context import Context, Hold
from harness.run.steps.nominal import set_level

__all__ = ["carry_out"]


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one load step; the load is off again at its end."""
    set_level(context, step.levels[0])
    holds: list[Hold] = []
    for level in step.levels:
        assert level.load_current_a is not None
        context.command(LoadCurrent(level.load_current_a))
        settler = context.settle(step, level)
        holds.append(context.hold(step, level, settler, needed_readings(context, step)))
        judge_checks(context, step, holds[-1])
    context.command(LoadOff())
    judge_across(context, step, holds)
