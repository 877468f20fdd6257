"""Start: the voltage rises level by level, current-limited, watched all the way."""

from __future__ import annotations

from harness.profile.plan import PlannedStep
from harness.run.checks import judge_checks, needed_readings
from harness.run.context import Context
from harness.run.levels import energise


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one start; its checks are judged at the last level."""
    holds = energise(context, step, step.levels, needed_readings(context, step))
    judge_checks(context, step, holds[-1])
