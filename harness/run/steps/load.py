"""Load: load points at nominal voltage, each held and judged."""

from __future__ import annotations

from harness.errors import Refused
from harness.profile.plan import PlannedStep
from harness.profile.steps import LoadStep
from harness.run.checks import judge_undone
from harness.run.context import Context
from harness.run.levels import hold_levels
from harness.run.operator_actions import connect_load, take_load_off


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one load step; where a person connects the load, power is off before and after.

    Raises:
        Refused: Nobody has taken the load off, and more steps follow.
    """
    assert isinstance(step.step, LoadStep)
    load = step.step.load
    if load is None:
        hold_levels(context, step)
        return
    output = step.step.output or next(iter(context.plan.profile.unit.output))
    if not connect_load(context, load, output):
        judge_undone(context, step, f"nobody connected {load}")
        return
    hold_levels(context, step)
    if not take_load_off(context, load) and step is not context.plan.steps[-1]:
        raise Refused([f"Nobody took {load} off again: the next step would find it on."])
