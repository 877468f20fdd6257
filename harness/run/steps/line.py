"""Line: corners of line voltage and frequency, each held and judged."""

from __future__ import annotations

from harness.power.commands import LoadOff, SetLoad
from harness.profile.plan import PlannedStep
from harness.run.checks import judge_across, judge_checks, needed_readings
from harness.run.context import Context
from harness.run.energise import bring_back, set_level
from harness.run.rest import Hold, hold, settle

__all__ = ["carry_out"]


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one line step; a load stays on from corner to corner and is off at its end."""
    bring_back(context, step)
    load = step.levels[0].load
    holds: list[Hold] = []
    for level in step.levels:
        set_level(context, level)
        if load is not None and not holds:
            context.command(SetLoad(load.mode, load.value))
        settler = settle(context, step, level)
        holds.append(hold(context, step, level, settler, needed_readings(context, step)))
        judge_checks(context, step, holds[-1])
    if load is not None:
        context.command(LoadOff())
    judge_across(context, step, holds)
