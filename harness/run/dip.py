"""The dip: the keeper drops the input for a stated time, and what the output did is judged."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from harness.judge.propagate import Estimate
from harness.judge.spans import time_between
from harness.judge.uncertainty import rectangular
from harness.power.dip import Dip, DipRecord
from harness.power.power_times import Span
from harness.profile.dip_step import DipStep
from harness.profile.level import Level
from harness.profile.measures import role_of
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.by_hand import place_leads
from harness.run.checks import UNKNOWN, dipped, judge, judge_checks, judge_undone, needed_readings
from harness.run.context import Context
from harness.run.enable import set_enable
from harness.run.levels import bring_back, loads_off, set_level, set_loads
from harness.run.meters import check_in_sync, reading_meanwhile
from harness.run.questions import ask_later, ask_under_power, have_looked_at
from harness.run.rest import Dwell

#: Share of its nominal voltage down to which an output stands. Source: the usual tolerance of a
#: rail; common practice.
_STANDS_FRAC = 0.95
#: What reads the output meanwhile.
_READERS = ("load", "meter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What a dip came to (pure).

    ``later_s`` is by how much a change may come after it was told: an AC source may wait for the
    next zero crossing of its line. A reading tells of all the time it took: a load's of some moment
    in it, a meter's is the mean over most of it.
    """

    record: DipRecord
    read: tuple[tuple[Span, float], ...]  # of the output voltage, one after the other
    stands_v: float  # the output stands down to here
    error_v: float  # of a reading of it; infinite where nobody states it
    later_s: float

    @property
    def duration(self) -> Estimate:
        """How long the input was down: from middle to middle of the messages."""
        record = self.record
        called = "messages of both changes"
        return time_between(record.down, record.up, called=called, later_s=self.later_s)

    @property
    def lowest(self) -> Estimate:
        """The lowest output voltage read, from the drop on; what no reading saw it does not say.

        Where none lies in the drop as a whole, nothing is known of an output that stands.
        """
        lowest_v = min((voltage_v for _, voltage_v in self.read), default=math.nan)
        seen = any(self._inside(span) for span, _ in self.read)
        if not (seen or lowest_v < self.stands_v):
            return UNKNOWN
        return Estimate(
            value=lowest_v,
            contributions=(rectangular("output voltage accuracy", self.error_v, unit="V"),),
        )

    def _inside(self, span: Span) -> bool:
        return self.record.down[0] <= span[0] and span[1] <= self.record.up[0]

    @property
    def hold_up(self) -> Estimate:
        """For how long the output stood for certain after the drop.

        Between the last reading that was above for certain and the first that was not; counted
        from the answer that confirmed the drop at the earliest, from its message at the latest.
        Where it never fell, between the last reading that was over before the input came back and
        that: a later one may tell of an output that fell and rose again.
        """
        record = self.record
        if not self.read:
            return UNKNOWN
        stood_s = seen_s = record.down[1]
        for (begin_s, end_s), voltage_v in self.read:
            if not voltage_v - self.error_v >= self.stands_v:
                return self._between(stood_s, end_s, called="interval it fell in")
            stood_s = max(stood_s, begin_s)
            if end_s <= record.up[0]:
                seen_s = stood_s
        return self._between(seen_s, record.up[1], called="interval that it was not seen in")

    def _between(self, first_s: float, last_s: float, *, called: str) -> Estimate:
        """Return the time since the drop that lies between two moments."""
        earliest_s = max(first_s - self.record.down[1] - self.later_s, 0.0)
        latest_s = last_s - self.record.down[0]
        half_s = 0.5 * (latest_s - earliest_s)
        return Estimate(
            value=0.5 * (latest_s + earliest_s),
            contributions=(rectangular(called, half_s, unit="s"),),
        )

    @property
    def told(self) -> Mapping[str, Estimate]:
        """The figures by the names of their measures."""
        return {
            "dip.duration": self.duration,
            "dip.output": self.lowest,
            "dip.hold_up": self.hold_up,
        }


def dip(context: Context, step: PlannedStep) -> None:
    """Have the input dropped as often as is asked; judge output, time, and what comes back."""
    assert isinstance(step.step, DipStep)
    undone = place_leads(context, step)
    if undone:
        judge_undone(context, step, undone)
        return
    bring_back(context, step)
    have_looked_at(context, step)
    for number, level in enumerate(step.levels):
        context.enter(level)
        begins = not number and step.step.by_hand is not None
        before = _standing(level, context.set_v, begins=begins)
        set_level(context, before)
        set_enable(context, step)
        set_loads(context, step, level, step.levels[0] if number else None)
        Dwell(context, step, before).settle()
        course = _dropped(context, step, level)
        dwell = Dwell(context, step, level)
        hold = dwell.settle().hold(needed_readings(context, step))
        if level is step.levels[-1]:
            ask_under_power(context, step, dwell)
            loads_off(context, step, level)
        context.step_name, context.level_label = step.name, level.label
        for check in filter(dipped, step.checks):
            estimate = course.told[check.measure]
            judge(context, step, check, estimate, name=f"{check.name} at {level.label}")
        judge_checks(context, step, hold)
    ask_later(context, step)


def _standing(level: Level, stood_v: float, *, begins: bool = False) -> Level:
    """Return a level as it is before its drop: at work by now, unless it ``begins`` here.

    Nothing has to be filled yet but from where the line stood up, and so nothing more is allowed.
    """
    budget = None if level.budget is None else level.budget.less(stood_v)
    return replace(level, budget=budget, wait_s=level.wait_s if begins else 0.0)


def _dropped(context: Context, step: PlannedStep, level: Level) -> Course:
    """Have the keeper drop the input, and say what came of it."""
    asked = step.step
    assert isinstance(asked, DipStep)
    nominal_v = level.voltage_v / asked.line_frac
    read = (
        reading for check in filter(dipped, step.checks) for reading in step.made_of[check.name]
    )
    reader = next((name for name in read if role_of(name.partition(".")[0]) in _READERS), "")
    key = reader.partition(".")[0]
    by_meter: list[tuple[Span, float]] = []
    meter = key if role_of(key) == "meter" else ""
    meanwhile = reading_meanwhile(context, reader, by_meter) if meter else None
    # Commands of a level have their watch: what comes back is judged by its allowance.
    set_level(context, level)
    record = context.host.dip(
        Dip(
            voltage_v=asked.residual_frac * nominal_v,
            back_v=level.voltage_v,
            duration_s=asked.duration_s,
            load="" if meter else key,
        ),
        meanwhile,
    )
    if meter:
        check_in_sync(context, meter)  # before its readings are believed
    output_v = asked.loaded_output(context.plan.profile.unit).nominal_v if reader else 0.0
    course = Course(
        record=record,
        read=tuple(one for one in by_meter if one[0][1] > record.down[0]) or record.outputs,
        stands_v=_STANDS_FRAC * output_v,
        error_v=context.error_of(reader, output_v) if reader else 0.0,
        later_s=level.zero_crossing_s,
    )
    context.event(EventKind.DIP, _said(course, asked))
    return course


def _said(course: Course, asked: DipStep) -> str:
    """Say how long the input was down, and what is known of the output."""
    record = course.record
    duration_s, takes = course.duration.value, format_quantity(record.takes_s, "s", 2)
    told = (
        f"{format_quantity(duration_s, 's', 3)} down where "
        f"{format_quantity(asked.duration_s, 's')} was asked for; a setting takes {takes}, "
        f"{record.samples} readings of the supply meanwhile"
    )
    if record.takes_s > asked.duration_s:
        told += f"; this supply cannot drop for less than {takes}"
    if course.read:
        lowest = format_quantity(min(voltage_v for _, voltage_v in course.read), "V", 4)
        told += f"; lowest of {len(course.read)} readings of the output {lowest}"
    return told
