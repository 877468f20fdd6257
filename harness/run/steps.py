"""How each kind of step is carried out.

It sets levels, lets them settle, holds them, and has its checks judged. Whatever leaves the
envelope on the way raises :class:`~harness.power.trip.Tripped` with power already off.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

import numpy as np

from harness.errors import InstrumentError, NoReading, Overload, Refused
from harness.judge.propagate import Estimate
from harness.judge.verdict import Verdict
from harness.profile.check import Check
from harness.profile.drain_step import DrainStep
from harness.profile.hand_loads import is_battery
from harness.profile.plan import PlannedStep
from harness.profile.step import HandLoadedStep
from harness.profile.steps import STEP_KINDS
from harness.profile.wiring import place_of, seen_from
from harness.quantity import format_limits, format_quantity
from harness.record.events import EventKind
from harness.record.sink import CheckRow
from harness.run.by_hand import move_meter, place_battery, place_leads, place_load
from harness.run.causes import Readings, mean_of
from harness.run.checks import (
    UNKNOWN,
    judge,
    judge_across,
    judge_checks,
    judge_undone,
    needed_readings,
)
from harness.run.context import Context
from harness.run.cycle import cycle
from harness.run.dip import dip
from harness.run.discharge import discharge
from harness.run.levels import energise, hold_levels
from harness.run.meters import read_cold
from harness.run.off import power_off
from harness.run.questions import ask_operator
from harness.run.restart import begin
from harness.run.start_figures import tell_start
from harness.run.start_log import StartLog
from harness.run.window_checks import judge_windows, windows_of

#: Readings that a cold value is the mean of, how close they must lie to each other, and how long
#: apart they are: an ohmmeter charges what it measures, and readings of a fast one always agree.
_READINGS, _CLOSE, _APART_S = 5, 0.01, 0.1
#: Longest wait for that; then the last readings count with all their scatter.
_LONGEST_S = 10.0


def _cold(context: Context, step: PlannedStep) -> None:
    """Check without power, by the meter and by the operator; the output is confirmed off first.

    Raises:
        Refused: A check failed; or one is undecided, and nobody wants to go on all the same.
    """
    power_off(context)
    rows: list[CheckRow] = []
    for check in step.checks:
        context.step_name, context.level_label = step.name, check.across
        ask = ask_operator if check.by_operator else _by_meter
        rows.append(ask(context, step, check))
    context.level_label = ""
    failed = [_seen(row) for row in rows if row.verdict == Verdict.FAIL]
    if failed:
        raise Refused([f"Cold check failed: {'; '.join(failed)}. Power has not been on."])
    undecided = [check.name for check, _ in step.dropped]
    undecided += [row.check for row in rows if row.verdict == Verdict.UNDECIDED]
    if not undecided:
        return
    names = ", ".join(undecided)
    agreed = context.operator.confirm(f"Undecided before power: {names}. Energise anyway?")
    context.stop.raise_if_requested()
    if not agreed:
        raise Refused([f"Cold check undecided: {names}. Power has not been on."])
    context.event(EventKind.AGREED, f"to energise with undecided cold checks: {names}")


def _seen(row: CheckRow) -> str:
    """Say what was found and what it may be."""
    if row.quantity == "operator.yes_no":
        return f"{row.check}: {'yes' if row.value else 'no'}"
    value = format_quantity(row.value, row.unit, 3)
    return f"{row.check}: {value} where it must be {format_limits(row.low, row.high, row.unit)}"


def _by_meter(context: Context, step: PlannedStep, check: Check) -> CheckRow:
    [reading] = step.made_of[check.name]
    key, _, quantity = reading.partition(".")
    where = seen_from(place_of(check, step.step, context.plan.profile.unit), quantity)
    if context.bench.file.all_meters[key].at is None and not move_meter(context, where):
        return judge(context, step, check, UNKNOWN)
    context.step_name, context.level_label = step.name, check.across
    try:
        estimate = _read(context, check, reading)
        context.bench.readers[key].check_in_sync()  # before its readings are believed
        through_bulk = check.across in {"bulk", "input", "input reversed"}
        context.charged_cold |= quantity == "resistance" and through_bulk
    except InstrumentError as error:
        raise Refused([str(error)]) from error
    return judge(context, step, check, estimate)


def _read(context: Context, check: Check, reading: str) -> Estimate:
    """Return the mean of readings that agree; nothing where the meter shows no value.

    Overload of an ohmmeter is no value, but where its range is known it is a bound: more than the
    range is more than any limit below it. The value entered is the range.
    """
    most_ohm = context.bench.file.all_meters[reading.partition(".")[0]].range.resistance_ohm
    try:
        values = _settled(context, reading)
    except NoReading as error:
        overload = isinstance(error, Overload) and check.measure == "meter.resistance"
        if not overload or not most_ohm:
            context.event(EventKind.NO_READING, f"{check.name}: {error}")
            return UNKNOWN
        more = f"{check.name}: more than {format_quantity(most_ohm, 'ohm')}"
        context.event(EventKind.BEYOND_RANGE, more)
        values = [most_ohm] * _READINGS
    return mean_of(context, reading, Readings.of({reading: np.array(values)}))


def _settled(context: Context, reading: str) -> list[float]:
    """Read until the last readings agree, and return those."""
    begin_s = context.clock.now_s()
    differ = context.error_of(reading, 0.0)  # the fixed part: for no reason
    values: list[float] = []
    while True:
        values.append(read_cold(context, reading))
        last = values[-_READINGS:]
        close = max(last) - min(last) <= max(_CLOSE * abs(last[-1]), differ)
        late = context.clock.now_s() - begin_s > _LONGEST_S
        if len(last) == _READINGS and (close or late):
            return last
        context.clock.sleep_s(_APART_S)


def _start(context: Context, step: PlannedStep) -> None:
    """Go up the levels; the checks are judged at the last one, those of the start by its curve.

    One that is not the first finds power on, and something on the capacitor.
    """
    levels = begin(context, step, step.levels)
    context.log = log = StartLog()
    threshold_v = context.plan.profile.fed.input.start_threshold_v
    context.windows = windows_of(context, step, levels[-1], threshold_v)
    try:
        holds = energise(context, step, levels, needed_readings(context, step))
    finally:
        context.log = None
    judge_checks(context, step, holds[-1])
    judge_across(context, step, holds[-1:])
    judge_windows(context, step, holds[-1])
    tell_start(context, step, log)


def _by_hand(context: Context, step: PlannedStep) -> tuple[str, str] | None:
    """Return what a person connects for a step, and to which output; None where nobody does."""
    asked = step.step
    if not isinstance(asked, HandLoadedStep | DrainStep) or asked.by_hand is None:
        return None
    return asked.by_hand, asked.output or next(iter(context.plan.profile.unit.output))


def _loadable(
    context: Context,
    step: PlannedStep,
    carry_out: Callable[[Context, PlannedStep], None] = hold_levels,
) -> None:
    """Hold each level; where a person connects the load, power is off before and after.

    What the next step wants as well stays connected meanwhile.

    Raises:
        Refused: Nobody has taken the load off, and more steps follow.
    """
    wanted = _by_hand(context, step)
    if wanted is None:
        carry_out(context, step)
        if isinstance(step.step, HandLoadedStep) and step.step.ends_off:
            power_off(context)
        return
    if _connected(context, step, *wanted):
        carry_out(context, step)
        _take_off(context, step, *wanted)


def _connected(context: Context, step: PlannedStep, load: str, output: str) -> bool:
    """Have a load connected by hand, power off; whether it was. Else the checks are undecided."""
    if is_battery(load):
        undone = place_leads(context, step)  # before there is a voltage at the output
        if undone:
            judge_undone(context, step, undone)
            return False
        there = place_battery(context, step, load, output)
    else:
        there = place_load(context, load, output)
    if not there:
        judge_undone(context, step, f"nobody connected {load}")
    return there


def _take_off(context: Context, step: PlannedStep, load: str, output: str) -> None:
    """Have it disconnected, power off, unless the next step wants it where it is.

    Raises:
        Refused: Nobody has taken the load off, and more steps follow.
    """
    following = context.plan.steps[step.number :]
    stays = bool(following) and _by_hand(context, following[0]) == (load, output)
    if stays and is_battery(load):  # no lead is moved beside a battery
        stays = following[0].wiring.meter_at in (None, context.meter_at)
    if stays:
        power_off(context)
    elif not place_load(context, load, None) and following:
        raise Refused(
            [f"Nobody disconnected {load}: it would still be connected in the next step."]
        )


def _drain(context: Context, step: PlannedStep) -> None:
    """Read what a charger without mains draws from the battery at it, power off all the while.

    Raises:
        Refused: As for a load by hand.
    """
    power_off(context)
    wanted = _by_hand(context, step)
    assert wanted is not None  # a drain step has a battery
    if not _connected(context, step, *wanted):
        return
    for check in step.checks:
        _by_meter(context, step, check)
    _take_off(context, step, *wanted)


_CARRY_OUT: Mapping[str, Callable[[Context, PlannedStep], None]] = {
    "cold": _cold,
    "start": _start,
    "nominal": hold_levels,
    "line": _loadable,
    "load": _loadable,
    "soak": _loadable,
    "cycle": cycle,
    "dip": partial(_loadable, carry_out=dip),
    "drain": _drain,
    "discharge": discharge,
}

#: Every kind of step; one that nobody carries out keeps the program from starting.
STEPS = {kind: _CARRY_OUT[kind] for kind in STEP_KINDS}
