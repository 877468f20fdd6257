"""Soak: nominal voltage, held for long."""

from __future__ import annotations

from harness.power.commands import LoadOff, SetLoad
from harness.profile.plan import PlannedStep
from harness.run.checks import judge_checks, needed_readings
from harness.run.context import Context
from harness.run.energise import bring_back, set_level
from harness.run.rest import hold, settle

__all__ = ["carry_out"]


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one soak step; its checks are judged over the whole of it."""
    bring_back(context, step)
    (level,) = step.levels
    set_level(context, level)
    if level.load is not None:
        context.command(SetLoad(level.load.mode, level.load.value))
    settler = settle(context, step, level)
    held = hold(context, step, level, settler, needed_readings(context, step))
    if level.load is not None:
        context.command(LoadOff())
    judge_checks(context, step, held)
