"""Levels: power comes up through them, current-limited and watched, and steps hold them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from harness.errors import Refused
from harness.power.commands import Arm, LoadOff, Set, SetLoad, SwitchOn, Watch
from harness.power.trip import TripReason
from harness.profile.level import Level
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.run.by_hand import place_leads
from harness.run.checks import (
    judge_across,
    judge_checks,
    judge_undone,
    needed_readings,
)
from harness.run.context import Context
from harness.run.enable import end_waking, set_enable, wake
from harness.run.off import power_off
from harness.run.questions import ask_later, ask_under_power, have_looked_at
from harness.run.rest import Dwell, Hold
from harness.run.restart import as_entered, as_left
from harness.run.turning import prepare_feed, turn_to
from harness.run.window_checks import judge_windows, windows_of


def energise(
    context: Context,
    step: PlannedStep,
    levels: tuple[Level, ...],
    measures: Iterable[str] = (),
    *,
    meter_stays: bool = False,
) -> list[Hold]:
    """Go through levels, each settled and held; at the last one the measures are read.

    What a person moves stands where the step wants it first, unless it ``meter_stays``.

    Raises:
        Refused: Nobody moved it; nothing is on.
        Tripped: Power has been cut.
    """
    holds: list[Hold] = []
    if not context.host.live and not meter_stays:
        undone = place_leads(context, step)
        if undone and not step.wiring.early:
            raise Refused([f"{undone[:1].upper()}{undone[1:]}."])
    if not context.host.live:
        prepare_feed(context, step)
    for planned in levels:
        context.enter(planned)
        level = as_entered(planned, context)
        if not context.host.live:
            context.command(
                Arm(level.voltage_v, level.current_limit_a, level.frequency_hz),
                Watch(level),
                SwitchOn(),
            )
            set_enable(context, step)
        else:
            _next_level(context, level, holds)
        turn_to(context, level)
        read = measures if planned is levels[-1] else ()
        dwell = Dwell(context, step, level)
        holds.append(dwell.settle().hold(read))
        if planned is levels[-1]:
            _see_windows_through(context, dwell)
    context.command(Watch(None))
    return holds


def _see_windows_through(context: Context, dwell: Dwell) -> None:
    """Hold on until the last window of time is over."""
    windows = context.windows
    if windows is not None:
        dwell.keep(lambda: windows.are_over(context.clock.now_s()))


def bring_back(context: Context, step: PlannedStep, *, meter_stays: bool = False) -> None:
    """Bring power back where a step finds it off, up to the step's first own level."""
    if not context.host.live:
        levels = as_left(step.restart or step.levels[:1], context)
        energise(context, step, levels, meter_stays=meter_stays)


def hold_levels(context: Context, step: PlannedStep) -> None:
    """Hold and judge each level of a step; its load, if any, is off at its end."""
    undone = place_leads(context, step)
    if undone:
        judge_undone(context, step, undone)
        return
    if step.lamp is not None and step.lamp is not context.lamp:
        power_off(context)
    bring_back(context, step)
    have_looked_at(context, step)
    holds: list[Hold] = []
    before: Level | None = None
    for level in step.levels:
        context.enter(level)
        # the same but for what neither supply nor keeper is told
        told = before and replace(before, label=level.label, dwell_s=level.dwell_s, load=level.load)
        if told != level:
            set_level(context, level)
            turn_to(context, level)
        set_enable(context, step)
        set_loads(context, step, level, before)
        wake(context, step)
        context.begin_windows(windows_of(context, step, level), level)
        measures = needed_readings(context, step)
        dwell = Dwell(context, step, level)
        holds.append(dwell.settle().hold(measures))
        _see_windows_through(context, dwell)
        if level is step.levels[-1]:
            ask_under_power(context, step, dwell)
            end_waking(context)
            loads_off(context, step, level)
        judge_checks(context, step, holds[-1])
        judge_windows(context, step, holds[-1])
        before = level
    judge_across(context, step, holds)
    ask_later(context, step)


def set_loads(context: Context, step: PlannedStep, level: Level, before: Level | None) -> None:
    """Set the loads of a level that stand otherwise at the one before, None for the first."""
    if before is None:
        for output, current_a in getattr(step.step, "others", {}).items():
            context.command(SetLoad("current", current_a, step.wiring.others[output]))
    if level.load is not None and (before is None or level.load != before.load):
        context.command(SetLoad(level.load.mode, level.load.value, step.wiring.load))


def loads_off(context: Context, step: PlannedStep, level: Level) -> None:
    """Switch off every load, where the step has set one."""
    if level.load is not None or getattr(step.step, "others", None):
        context.command(LoadOff())


def set_level(context: Context, level: Level) -> None:
    """Set limit, frequency and voltage of a level while power is on.

    The frequency moves at the lower of both voltages: a source's rms over a fixed time is off by a
    percent or two while both are in it, more than a corner at the envelope's edge leaves.
    """
    context.command(Watch(level), Set("current_limit", level.current_limit_a))
    settings = [Set("voltage", level.voltage_v)]
    if level.frequency_hz is not None:
        falls = level.voltage_v < context.set_v
        settings.insert(int(falls), Set("frequency", level.frequency_hz))
    context.command(*settings)


def _next_level(context: Context, level: Level, holds: list[Hold]) -> None:
    """Go one level up, unless the current expected there is over the limit (safety rule 7)."""
    unit_input = context.plan.profile.fed.input
    drawn = f"{context.fed_by}.current"
    expected_a = expected_current_a(
        level.voltage_v,
        [(hold.level.voltage_v, float(hold.readings[drawn].mean())) for hold in holds],
        threshold_v=unit_input.start_threshold_v,
        idle_power_w=unit_input.own_power_w,
        power_factor=unit_input.power_factor,
    )
    if expected_a > level.current_limit_a:
        context.host.cut(
            TripReason.EXPECTED_OVER_LIMIT,
            f"{format_quantity(expected_a, 'A', 3)} expected at {level.label}, the limit is "
            f"{format_quantity(level.current_limit_a, 'A', 3)}",
        )
    _require_lamp_lets_through(context, level, expected_a)
    if level.current_limit_a != holds[-1].level.current_limit_a:
        context.command(Set("current_limit", level.current_limit_a))
    context.command(Watch(level), Set("voltage", level.voltage_v))


def _require_lamp_lets_through(context: Context, level: Level, expected_a: float) -> None:
    """Cut power where a lamp in series would take more than the source has left (safety rule 7)."""
    hand = context.bench.file.by_hand
    if hand is None or hand.lamp is None or not context.lamp:
        return
    drop_v, most_v = hand.lamp.drop_v(expected_a), hand.range.voltage_v
    if level.voltage_v + drop_v > most_v:
        context.host.cut(
            TripReason.EXPECTED_OVER_LIMIT,
            f"{format_quantity(expected_a, 'A', 3)} expected at {level.label}: the lamp would take "
            f"{format_quantity(drop_v, 'V', 3)} of it, and the source gives "
            f"{format_quantity(most_v, 'V')} at most",
        )


def expected_current_a(
    voltage_v: float,
    held: Sequence[tuple[float, float]],
    *,
    threshold_v: float,
    idle_power_w: float,
    power_factor: float = 1.0,
) -> float:
    """Current to be ready for at the next level, from the levels ``held``: voltage, mean current.

    The highest of three. What the last level drew: a linear regulator goes on drawing it, a
    converter less of it as the voltage rises. What the line through the last two levels gives, and
    with one level held the line from zero: exact for a resistive leak, alone or beside a steady
    draw. What the idle power draws, from the threshold on.

    Two levels on either side of the threshold lie on no common law: the line through both would
    foretell a draw that no unit has. A unit that has just begun to work goes by the line from below
    its threshold, where the leak stood alone. A leak that shows only above the threshold is then
    foreseen one level later; the supply's limit and the level's allowance hold it until then.

    Source: Ohm's law; P = V I; textbook.
    """
    idle_a = idle_power_w / voltage_v / power_factor if voltage_v >= threshold_v else 0.0
    if not held:
        return idle_a
    last_v, last_a = held[-1]
    rise_a = _slope_s(held, threshold_v) * (voltage_v - last_v)
    return max(last_a, last_a + rise_a, idle_a)


def _slope_s(held: Sequence[tuple[float, float]], threshold_v: float) -> float:
    """Return amperes a volt on the last two levels of one law; zero where there are no two."""
    working = [level for level in held if level[0] >= threshold_v]
    resting = [(0.0, 0.0), *(level for level in held if level[0] < threshold_v)]
    law = working if len(working) > 1 else resting
    if len(law) == 1:
        return 0.0
    (low_v, low_a), (high_v, high_a) = law[-2:]
    return (high_a - low_a) / (high_v - low_v) if high_v > low_v else 0.0
