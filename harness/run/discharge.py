"""The discharge: power off, and the stored voltage followed until it can be touched."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.errors import InstrumentError, Refused
from harness.judge.propagate import Estimate
from harness.judge.uncertainty import rectangular
from harness.power.commands import SwitchOff
from harness.profile.discharge_forecast import LONGEST_FALL_S, STILL_TELLS_FRAC
from harness.profile.discharge_step import DischargeStep
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.by_hand import place_across_bulk, place_leads
from harness.run.checks import UNKNOWN, judge, judge_undone
from harness.run.context import Context
from harness.run.discharge_figures import NO_RESISTOR, Readout, tell_discharge
from harness.run.levels import bring_back, set_level
from harness.run.meters import read_cold
from harness.run.off import measure_off, power_off
from harness.run.rest import Dwell
from harness.run.turning import turn_to

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
    drained: bool = False  # whether the last reading was below for certain
    last_s: float = 0.0
    last_v: float = math.nan

    def add(self, time_s: float, voltage_v: float, bound_v: float) -> bool:
        """Take a reading with what it may be off by; True once it is below for certain."""
        self.last_s, self.last_v = time_s, voltage_v
        self.drained = abs(voltage_v) + bound_v <= self.below_v
        if abs(voltage_v) - bound_v > self.below_v:
            self.above_s = time_s
        return self.drained

    @property
    def time_s(self) -> tuple[float, float]:
        """Time from power off to the limit, and half the interval it lies in for certain.

        Without a fall below the limit it is the time that was waited: a lower bound.
        """
        if not self.drained:
            return self.last_s - self.confirmed_s, 0.0
        latest_s = self.last_s - self.off_s
        earliest_s = 0.0 if self.above_s is None else max(self.above_s - self.confirmed_s, 0.0)
        return 0.5 * (earliest_s + latest_s), 0.5 * (latest_s - earliest_s)


def discharge(context: Context, step: PlannedStep) -> None:
    """Switch off, and measure the time until the stored voltage can be touched."""
    assert isinstance(step.step, DischargeStep)
    across = step.step.across
    undone = place_leads(context, step) if step.checks else ""
    if undone or not step.checks:
        power_off(context)
        if undone:
            judge_undone(context, step, undone)
        return
    if step.step.resistor_ohm is not None and not _resistor_connected(context, step.step):
        judge_undone(context, step, "nobody connected the resistor across the bulk")
        return
    stayed_on = context.host.live
    bring_back(context, step, meter_stays=True)
    for level in step.levels:
        context.enter(level)
        set_level(context, level)
        if stayed_on:  # at another voltage, perhaps: a hand has to be told
            turn_to(context, level)
        Dwell(context, step, level).settle()
    context.step_name, context.level_label = step.name, across
    key = next(key for (_, name), key in step.wiring.meters.items() if name == "voltage_dc")
    reading, read = f"{key}.voltage_dc", Readout()
    try:
        decay = _followed(context, step, reading, read)
        # before its readings are believed
        context.bench.readers[key].check_in_sync()
        measure_off(context)
    except InstrumentError as error:  # power is off: nothing to cut, and nothing proved
        judge_undone(context, step, str(error))
        return
    told = {"discharge_time": _told_time(context, decay, across)}
    if step.step.resistor_ohm is not None:
        told |= tell_discharge(context, step.step, context.bench.file.all_meters[key], read)
    for check in step.checks:
        judge(context, step, check, told.get(check.measure, NO_RESISTOR))
    if step.step.resistor_ohm is not None:
        _take_resistor_off(context, step)


def _told_time(context: Context, decay: Decay, across: str) -> Estimate:
    """Say how long the fall took, and return it."""
    time_s, half_s = decay.time_s
    causes = (rectangular("interval the fall lies in", half_s, unit="s"),)
    estimate = Estimate(value=time_s, contributions=causes)
    said = f"below {format_quantity(decay.below_v, 'V')}"
    if not decay.drained:
        said = f"still {format_quantity(decay.last_v, 'V')}"
        if decay.above_s != decay.last_s:  # neither below for certain nor above
            estimate = UNKNOWN
            said = f"not certain to be below the limit: {format_quantity(decay.last_v, 'V')}"
    after = f"across the {across} {format_quantity(time_s, 's', 3)} after power off"
    context.event(EventKind.DISCHARGE, f"{said} {after}")
    return estimate


def _take_resistor_off(context: Context, step: PlannedStep) -> None:
    """Have the resistor taken off; nothing follows where it stays."""
    if not place_across_bulk(context, None) and context.plan.steps[step.number :]:
        raise Refused(
            ["Nobody took the resistor off the bulk: it would still be there in the next step."]
        )


def _resistor_connected(context: Context, step: DischargeStep) -> bool:
    """Have the resistor connected, power off."""
    profile = context.plan.profile
    highest_v = profile.fed.input.stored_v(profile.envelope.voltage_v)
    return place_across_bulk(context, step.resistor_ohm, step.resistor_note(highest_v))


def _followed(context: Context, step: PlannedStep, reading: str, read: Readout) -> Decay:
    """Switch off and read the meter until the voltage is below the limit, or time is up.

    With a resistor it is followed on, until its curve tells what capacitor it empties.
    """
    assert isinstance(step.step, DischargeStep)
    assert step.step.below_v is not None
    timed = [check for check in step.checks if check.measure == "discharge_time"]
    most_s = max(limit for check in timed for limit in (check.low, check.high) if limit)
    longest_s = most_s * (1 + _BEYOND_FRAC) + _BEYOND_S  # past every limit
    line, lowest_v = context.plan.profile.fed.input, math.inf
    if step.step.resistor_ohm is not None:
        lowest_v = STILL_TELLS_FRAC * line.peak_factor * line.start_threshold_v
    off_s = context.clock.now_s()
    context.command(SwitchOff())  # what else is to be measured waits until the fall is over
    decay = Decay(below_v=step.step.below_v, off_s=off_s, confirmed_s=context.clock.now_s())
    while True:
        voltage_v = read_cold(context, reading)
        now_s = context.clock.now_s()
        read.add(now_s, voltage_v)
        if not decay.drained:
            bound_v = context.error_of(reading, voltage_v, math.inf)
            decay.add(now_s, voltage_v, bound_v)
        waited_s = now_s - decay.confirmed_s
        if not decay.drained and waited_s <= longest_s:
            continue
        if abs(voltage_v) <= lowest_v or waited_s > max(longest_s, LONGEST_FALL_S):
            return decay
