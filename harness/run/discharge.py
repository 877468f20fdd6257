"""Discharge: power off, and the time until the stored voltage can be touched, measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.errors import InstrumentError
from harness.judge.propagate import Estimate
from harness.judge.uncertainty import rectangular
from harness.power.commands import SwitchOff
from harness.profile.plan import PlannedStep
from harness.profile.steps import DischargeStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.checks import UNKNOWN, judge, judge_undone
from harness.run.context import Context
from harness.run.levels import bring_back, set_level
from harness.run.off import measure_off
from harness.run.operator_actions import move_meter, power_off
from harness.run.rest import settle

#: Readings go on for so much longer than the time allowed: then it has failed.
_BEYOND_FRAC, _BEYOND_S = 0.05, 0.1


@dataclass(slots=True, kw_only=True)
class Decay:
    """The voltage after power off, as far as it was read.

    No reading counts for more than it shows: the voltage passed the limit somewhere between the
    last reading that was above it for certain and the first that was below it for certain, and
    power went off between the message that said so and its confirmation. Nothing is extrapolated.
    """

    below_v: float  # voltage to fall below
    off_s: float  # when output off was sent ...
    confirmed_s: float  # ... and confirmed
    above_s: float | None = None  # time of the last reading that was above for certain
    drained_s: float | None = None  # time of the first reading that was below for certain
    last_s: float = 0.0
    last_v: float = math.nan

    def add(self, time_s: float, voltage_v: float, bound_v: float) -> bool:
        """Take a reading with what it may be off by; True once it is below for certain."""
        self.last_s, self.last_v = time_s, voltage_v
        if abs(voltage_v) + bound_v <= self.below_v:
            self.drained_s = time_s
            return True
        if abs(voltage_v) - bound_v > self.below_v:
            self.above_s = time_s
        return False

    @property
    def time_s(self) -> tuple[float, float]:
        """Time from power off to the limit, and half the interval it lies in for certain.

        Without a fall below the limit it is the time that was waited: a lower bound.
        """
        if self.drained_s is None:
            return self.last_s - self.confirmed_s, 0.0
        latest_s = self.drained_s - self.off_s
        earliest_s = 0.0 if self.above_s is None else max(self.above_s - self.confirmed_s, 0.0)
        return 0.5 * (earliest_s + latest_s), 0.5 * (latest_s - earliest_s)


def carry_out(context: Context, step: PlannedStep) -> None:
    """Carry out one discharge step; power is off at its end."""
    assert isinstance(step.step, DischargeStep)
    across = step.step.across
    if not step.checks or not move_meter(context, across):
        power_off(context)
        if step.checks:
            judge_undone(context, step, f"nobody put the meter across the {across}")
        return
    bring_back(context, step, meter_stays=True)
    for level in step.levels:
        set_level(context, level)
        settle(context, step, level)
    context.step_name, context.level_label = step.name, across
    assert context.bench.meter is not None
    try:
        decay = _followed(context, step)
        context.bench.meter.check_in_sync()  # before its readings are believed
        measure_off(context)
    except InstrumentError as error:  # power is off: nothing to cut, and nothing proved
        judge_undone(context, step, str(error))
        return
    time_s, half_s = decay.time_s
    causes = (rectangular("interval the fall lies in", half_s, unit="s"),)
    estimate = Estimate(value=time_s, contributions=causes)
    if decay.drained_s is None and decay.above_s != decay.last_s:
        estimate = UNKNOWN  # the last reading is neither below for certain nor above
    _say(context, across, decay)
    for check in step.checks:
        judge(context, step, check, estimate)


def _followed(context: Context, step: PlannedStep) -> Decay:
    """Switch off and read the meter until the voltage is below the limit, or time is up."""
    assert isinstance(step.step, DischargeStep)
    assert step.step.below_v is not None
    most_s = max(limit for check in step.checks for limit in (check.low, check.high) if limit)
    longest_s = most_s * (1 + _BEYOND_FRAC) + _BEYOND_S  # past every limit
    off_s = context.clock.now_s()
    context.command(SwitchOff())  # what else is to be measured waits until the fall is over
    decay = Decay(below_v=step.step.below_v, off_s=off_s, confirmed_s=context.clock.now_s())
    while True:
        voltage_v = context.read_meter_cold("voltage_dc")
        now_s = context.clock.now_s()
        bound_v = context.error_of("meter.voltage_dc", voltage_v, math.inf)
        if decay.add(now_s, voltage_v, bound_v) or now_s - decay.confirmed_s > longest_s:
            return decay


def _say(context: Context, across: str, decay: Decay) -> None:
    after = f"across the {across} {format_quantity(decay.time_s[0], 's', 3)} after power off"
    said = f"below {format_quantity(decay.below_v, 'V')} {after}"
    if decay.drained_s is None:
        still = "still" if decay.above_s == decay.last_s else "not surely below the limit:"
        said = f"{still} {format_quantity(decay.last_v, 'V')} {after}"
    context.event(EventKind.DISCHARGE, said)
