"""Nominal: the voltage the unit is built for, held."""

from __future__ import annotations

from harness.bench.commands import SetCurrentLimit, SetFrequency, SetVoltage, Watch
from harness.profile.plan import Level, PlannedStep
from harness.run.checks import judge_checks, needed_readings
from harness.run.context import Context

__all__ = ["carry_out", "set_level"]


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one nominal step; its checks are judged over the hold."""
    for level in step.levels:
        set_level(context, level)
        settler = context.settle(step, level)
        hold = context.hold(step, level, settler, needed_readings(context, step))
        judge_checks(context, step, hold)


def set_level(context: Context, level: Level) -> None:
    """Set limit, frequency and voltage of a level while power is on."""
    context.command(Watch(level), SetCurrentLimit(level.current_limit_a))
    if level.frequency_hz is not None:
        context.command(SetFrequency(level.frequency_hz))
    context.command(SetVoltage(level.voltage_v))
