"""Nominal: the voltage the unit is built for, held."""

from __future__ import annotations

from harness.profile.plan import PlannedStep
from harness.run.checks import judge_checks, needed_readings
from harness.run.context import Context
from harness.run.energise import bring_back, set_level
from harness.run.rest import hold, settle

__all__ = ["carry_out"]


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one nominal step; its checks are judged over the hold."""
    bring_back(context, step)
    for level in step.levels:
        set_level(context, level)
        settler = settle(context, step, level)
        held = hold(context, step, level, settler, needed_readings(context, step))
        judge_checks(context, step, held)
