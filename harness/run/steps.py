"""How each kind of step is carried out.

It sets levels, lets them settle, holds them, and has its checks judged. Whatever leaves the
envelope on the way raises :class:`~harness.power.trip.Tripped` with power already off.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from harness.errors import Refused
from harness.profile.plan import PlannedStep
from harness.profile.steps import STEP_KINDS, LoadStep
from harness.run import cold, discharge
from harness.run.checks import judge_checks, judge_undone, needed_readings
from harness.run.context import Context
from harness.run.levels import energise, hold_levels
from harness.run.operator_actions import connect_load, take_load_off


def _start(context: Context, step: PlannedStep) -> None:
    """Go up the levels; the checks are judged at the last one."""
    holds = energise(context, step, step.levels, needed_readings(context, step))
    judge_checks(context, step, holds[-1])


def _load(context: Context, step: PlannedStep) -> None:
    """Hold each load point; where a person connects the load, power is off before and after.

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


_CARRY_OUT: Mapping[str, Callable[[Context, PlannedStep], None]] = {
    "cold": cold.carry_out,
    "start": _start,
    "nominal": hold_levels,
    "line": hold_levels,
    "load": _load,
    "soak": hold_levels,
    "discharge": discharge.carry_out,
}

#: Every kind of step; one that nobody carries out keeps the program from starting.
STEPS = {kind: _CARRY_OUT[kind] for kind in STEP_KINDS}
