"""Brings power up: level by level, current-limited, watched all the way."""

from __future__ import annotations

from collections.abc import Iterable

from harness.bench.commands import Arm, SetCurrentLimit, SetFrequency, SetVoltage, SwitchOn, Watch
from harness.bench.trip import TripReason
from harness.profile.plan import Level, PlannedStep
from harness.quantity import format_quantity
from harness.run.context import Context, Hold
from harness.run.hands import meter_at_output

__all__ = ["bring_back", "energise", "expected_current_a", "set_level"]


def energise(
    context: Context,
    step: PlannedStep,
    levels: tuple[Level, ...],
    measures: Iterable[str] = (),
    *,
    meter_stays: bool = False,
) -> list[Hold]:
    """Go through levels, each settled and held.

    Args:
        context: The run.
        step: The step, for the record.
        levels: What to go through.
        measures: Measure names to read at the last level.
        meter_stays: Whether the meter stays where it is; else it goes back to the output first.

    Returns:
        The holds.

    Raises:
        Refused: The meter could not be put back; nothing is on.
        Tripped: Power has been cut.
    """
    holds: list[Hold] = []
    if not context.host.live and not meter_stays:
        meter_at_output(context)
    for level in levels:
        if not context.host.live:
            context.command(
                Arm(level.voltage_v, level.current_limit_a, level.frequency_hz),
                Watch(level),
                SwitchOn(),
            )
        else:
            _next_level(context, level, holds)
        settler = context.settle(step, level)
        holds.append(context.hold(step, level, settler, measures if level is levels[-1] else ()))
    context.command(Watch(None))
    return holds


def bring_back(context: Context, step: PlannedStep, *, meter_stays: bool = False) -> None:
    """Bring power back where a step finds it off, up to the step's first own level."""
    if not context.host.live:
        levels = step.restart or step.levels[:1]
        energise(context, step, levels, meter_stays=meter_stays)


def set_level(context: Context, level: Level) -> None:
    """Set limit, frequency and voltage of a level while power is on."""
    context.command(Watch(level), SetCurrentLimit(level.current_limit_a))
    if level.frequency_hz is not None:
        context.command(SetFrequency(level.frequency_hz))
    context.command(SetVoltage(level.voltage_v))


def _next_level(context: Context, level: Level, holds: list[Hold]) -> None:
    """Go one level up, unless the current expected there is over the limit (safety rule 7)."""
    expected_a = expected_current_a(context, level, holds)
    if expected_a > level.current_limit_a:
        context.host.cut(
            TripReason.EXPECTED_OVER_LIMIT,
            f"{format_quantity(expected_a, 'A', 3)} expected at {level.label}, the limit is "
            f"{format_quantity(level.current_limit_a, 'A', 3)}",
        )
    if level.current_limit_a != holds[-1].level.current_limit_a:
        context.command(SetCurrentLimit(level.current_limit_a))
    context.command(Watch(level), SetVoltage(level.voltage_v))


def expected_current_a(context: Context, level: Level, holds: list[Hold]) -> float:
    """Current expected at a level, worst case from the levels so far.

    Each level held so far says what a resistive unit would draw at the new one, ``I V2 / V1``; a
    unit that begins to work on the way may draw its idle power. For AC the idle power is taken at
    a power factor of one half, low for a peak-charging rectifier.

    Source: Ohm's law; P = V I; the power factor of a capacitor-input rectifier is 0.5 to 0.7,
    common practice.
    """
    unit_input = context.plan.profile.unit.input
    seen = [
        float(hold.readings["supply.current"].mean()) * level.voltage_v / hold.level.voltage_v
        for hold in holds
    ]
    power_factor = 0.5 if unit_input.kind == "ac" else 1.0
    if level.voltage_v >= unit_input.start_threshold_v:
        seen.append(unit_input.idle_power_w / level.voltage_v / power_factor)
    return max(seen, default=0.0)
