"""Load: load points at nominal voltage, each held and judged."""

from __future__ import annotations

from harness.errors import Refused
from harness.power.commands import LoadOff, SetLoad
from harness.profile.plan import PlannedStep
from harness.profile.steps import LoadStep
from harness.run.checks import judge_across, judge_checks, judge_undone, needed_readings
from harness.run.context import Context
from harness.run.energise import bring_back, set_level
from harness.run.operator_actions import connect_load, take_load_off
from harness.run.rest import Hold, hold, settle

__all__ = ["carry_out"]


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one load step; the load is off again at its end."""
    assert isinstance(step.step, LoadStep)
    if step.step.load is not None:
        _by_hand(context, step, step.step.load)
        return
    bring_back(context, step)
    set_level(context, step.levels[0])
    holds: list[Hold] = []
    for level in step.levels:
        assert level.load is not None
        context.command(SetLoad(level.load.mode, level.load.value))
        settler = settle(context, step, level)
        holds.append(hold(context, step, level, settler, needed_readings(context, step)))
        judge_checks(context, step, holds[-1])
    context.command(LoadOff())
    judge_across(context, step, holds)


def _by_hand(context: Context, step: PlannedStep, load: str) -> None:
    """Carry out a load step whose load a person connects; power is off before and after.

    Raises:
        Refused: Nobody has taken the load off, and more steps follow.
    """
    assert isinstance(step.step, LoadStep)
    output = step.step.output or next(iter(context.plan.profile.unit.output))
    if not connect_load(context, load, output):
        judge_undone(context, step, f"nobody connected {load}")
        return
    bring_back(context, step)
    level = step.levels[0]
    set_level(context, level)
    settler = settle(context, step, level)
    held = hold(context, step, level, settler, needed_readings(context, step))
    judge_checks(context, step, held)
    if not take_load_off(context, load) and step is not context.plan.steps[-1]:
        raise Refused([f"Nobody took {load} off again: the next step would find it on."])
