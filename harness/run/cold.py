"""Cold: checks without power, by the meter and by the operator. A failed one stops the run."""

from __future__ import annotations

import math

import numpy as np

from harness.errors import InstrumentError, NoReading, Overload, Refused
from harness.judge.propagate import Estimate
from harness.judge.uncertainty import Contribution, rectangular
from harness.judge.verdict import Verdict
from harness.profile.check import Check
from harness.profile.plan import PlannedStep
from harness.quantity import format_limits, format_quantity
from harness.record.events import EventKind
from harness.record.sink import CheckRow
from harness.run.checks import UNKNOWN, judge
from harness.run.context import Context
from harness.run.figures import mean_of
from harness.run.operator_actions import move_meter, power_off

#: Readings that a cold value is the mean of, and how close they must lie to each other: a meter
#: charges what it measures.
_READINGS, _CLOSE = 5, 0.01
#: Longest wait for that; then the last readings count with all their scatter.
_LONGEST_S = 10.0


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one cold step; the output is confirmed off first.

    Raises:
        Refused: A check failed; or one is undecided, and nobody wants to go on all the same.
    """
    power_off(context)
    rows: list[CheckRow] = []
    for check in step.checks:
        context.step_name, context.level_label = step.name, check.across
        ask = _by_operator if check.by_operator else _by_meter
        rows.append(ask(context, step, check))
    context.level_label = ""
    failed = [_seen(row) for row in rows if row.verdict == Verdict.FAIL]
    if failed:
        raise Refused([f"Cold check failed: {'; '.join(failed)}. Power has not been on."])
    undecided = [check.name for check, _ in step.dropped]
    undecided += [row.check for row in rows if row.verdict == Verdict.UNDECIDED]
    if undecided:
        _go_on(context, undecided)


def _seen(row: CheckRow) -> str:
    """Say what was found and what it may be."""
    if row.quantity == "operator.yes_no":
        return f"{row.check}: {'yes' if row.value else 'no'}"
    value = format_quantity(row.value, row.unit, 3)
    return f"{row.check}: {value} where it must be {format_limits(row.low, row.high, row.unit)}"


def _go_on(context: Context, undecided: list[str]) -> None:
    """Ask whether to go on although a cold check proved nothing."""
    names = ", ".join(undecided)
    agreed = context.operator.confirm(f"Undecided before power: {names}. Energise all the same?")
    context.stop.raise_if_requested()
    if not agreed:
        raise Refused([f"Cold check undecided: {names}. Power has not been on."])
    context.event(EventKind.AGREED, f"to energise with undecided cold checks: {names}")


# --- by the operator


def _by_operator(context: Context, step: PlannedStep, check: Check) -> CheckRow:
    yes_no = check.measure == "operator.yes_no"
    prompt = check.ask or check.name
    answer: float | None
    if yes_no:
        answer, note = context.operator.ask_yes_no(prompt)
    else:
        answer, note = context.operator.ask_value(prompt, check.unit)
    context.stop.raise_if_requested()
    if answer is None:
        said = "no answer"
    elif yes_no:
        said = "yes" if answer else "no"
    else:
        said = format_quantity(answer, check.unit)
    context.event(EventKind.ANSWER, f"{check.name}: {said}" + (f" ({note})" if note else ""))
    value = math.nan if answer is None else float(answer)
    causes: tuple[Contribution, ...] = ()
    if not yes_no and check.accuracy is not None and answer is not None:
        causes = (rectangular("tester accuracy", check.accuracy.bound(value), unit=check.unit),)
    estimate = Estimate(value=value, contributions=causes)
    return judge(context, step, check, estimate, stated=yes_no or check.accuracy is not None)


# --- by the meter


def _by_meter(context: Context, step: PlannedStep, check: Check) -> CheckRow:
    if not move_meter(context, check.across):
        return judge(context, step, check, UNKNOWN)
    context.step_name, context.level_label = step.name, check.across
    assert context.bench.meter is not None
    try:
        estimate = _read(context, check)
        context.bench.meter.check_in_sync()  # before its readings are believed
    except InstrumentError as error:
        raise Refused([str(error)]) from error
    return judge(context, step, check, estimate)


def _read(context: Context, check: Check) -> Estimate:
    """Return the mean of readings that agree; nothing where the meter shows no value.

    Overload of an ohmmeter is no value, but where its range is known it is a bound: more than the
    range is more than any limit below it. The value entered is the range.
    """
    meter = context.bench.file.meter
    most_ohm = None if meter is None else meter.range.resistance_ohm
    try:
        values = _settled(context, check)
    except NoReading as error:
        overload = isinstance(error, Overload) and check.measure == "meter.resistance"
        if not overload or not most_ohm:
            context.event(EventKind.NO_READING, f"{check.name}: {error}")
            return UNKNOWN
        more = f"{check.name}: more than {format_quantity(most_ohm, 'ohm')}"
        context.event(EventKind.BEYOND_RANGE, more)
        values = [most_ohm] * _READINGS
    return mean_of(context, check.measure, {check.measure: np.array(values)})


def _settled(context: Context, check: Check) -> list[float]:
    """Read until the last readings agree, and return those."""
    begin_s = context.clock.now_s()
    differ = context.error_of(check.measure, 0.0)  # the fixed part: for no reason
    values: list[float] = []
    while True:
        values.append(context.read_meter_cold(check.measure.removeprefix("meter.")))
        last = values[-_READINGS:]
        close = max(last) - min(last) <= max(_CLOSE * abs(last[-1]), differ)
        late = context.clock.now_s() - begin_s > _LONGEST_S
        if len(last) == _READINGS and (close or late):
            return last
