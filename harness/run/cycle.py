"""Power cycled: off, what is left measured, and back by the levels of the start."""

from __future__ import annotations

from harness.judge.spans import time_between
from harness.judge.uncertainty import combine
from harness.profile.cycle_step import CycleStep
from harness.profile.level import Level
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.by_hand import place_leads
from harness.run.checks import (
    UNKNOWN,
    cycled,
    judge,
    judge_checks,
    judge_undone,
    name_at,
    needed_readings,
    started,
)
from harness.run.context import Context
from harness.run.enable import set_enable
from harness.run.levels import energise, set_level
from harness.run.off import power_off
from harness.run.rest import Dwell
from harness.run.restart import as_found, found_v, stay_off
from harness.run.start_figures import tell_start
from harness.run.start_log import StartLog


def cycle(context: Context, step: PlannedStep) -> None:
    """Carry out every restart, each under the same rules as a first start.

    Raises:
        Refused: Nobody measured what is left on the bulk capacitor; power is off.
        Tripped: Power has been cut.
    """
    asked = step.step
    assert isinstance(asked, CycleStep)
    weighs = any(started(check) for check in step.checks)
    for level in step.levels:
        context.level_label = level.label
        power_off(context)
        undone = place_leads(context, step)
        if undone and not step.wiring.early:
            judge_undone(context, step, undone)
            return
        stay_off(context, asked.off_s)
        levels = tuple(as_found(step.restart, context, found_v(context, asked.bulk_below_v)))
        context.log = log = StartLog()
        try:
            energise(context, step, levels)
        finally:
            context.log = None
        context.enter(level)
        set_level(context, level)
        set_enable(context, step)
        judge_checks(
            context, step, Dwell(context, step, level).settle().hold(needed_readings(context, step))
        )
        _judge_off_time(context, step, level)
        if weighs:
            tell_start(context, step, log, label=level.label)


def _judge_off_time(context: Context, step: PlannedStep, level: Level) -> None:
    """Tell how long power was off before a restart, and judge it where that is asked for."""
    assert isinstance(step.step, CycleStep)
    estimate, spans = UNKNOWN, context.host.off_time()
    if spans is not None:
        called = "messages that switch off and on"
        estimate = time_between(*spans, called=called, later_s=level.zero_crossing_s)
        known = format_quantity(combine(estimate.contributions).expanded, "s", 2)
        context.event(
            EventKind.OFF_TIME,
            f"{level.label}: off for {format_quantity(estimate.value, 's', 4)}, known to {known}, "
            f"where {format_quantity(step.step.off_s, 's')} at least was asked for",
        )
    for check in filter(cycled, step.checks):
        judge(context, step, check, estimate, name=name_at(step, check, level))
