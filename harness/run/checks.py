"""From readings to judged checks: figures, the causes of their uncertainty, verdicts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import groupby

from harness.judge.propagate import Estimate, average, quotient, regulation, rise, total
from harness.judge.rise import came_up, rise_delay
from harness.judge.uncertainty import Contribution, combine
from harness.judge.verdict import decide
from harness.profile.check import Check
from harness.profile.check_rules import AVERAGE_FRAC
from harness.profile.level import Level
from harness.profile.measures import MEASURES, Situation
from harness.profile.plan import PlannedStep
from harness.record.events import EventKind
from harness.record.sink import CheckRow
from harness.run.agreement import rests_on_disagreement
from harness.run.causes import Readings, drift_of, mean_of, out_of_band
from harness.run.context import WHOLE, Context
from harness.run.rest import Hold
from harness.unit.nameplate import Output

#: A figure that nothing was read for.
UNKNOWN = Estimate(value=math.nan)

#: The end of a hold is its last twentieth, and so many readings at least.
_ENDS, _FEWEST_AT_END = 20, 5


def needed_readings(context: Context, step: PlannedStep) -> frozenset[str]:
    """Measure names to read in a hold for the step's checks, beside the samples of the feed."""
    sampled = {f"{context.fed_by}.{name}" for name in WHOLE}
    names = (name for check in step.checks for name in step.made_of[check.name])
    return frozenset(names) - sampled


def judge_checks(context: Context, step: PlannedStep, hold: Hold) -> None:
    """Judge every check of a step that is made of one hold."""
    for check in checks_at(step, hold.level):
        if (
            check.by_operator
            or started(check)
            or dipped(check)
            or cycled(check)
            or check.measure in _ACROSS_HOLDS
            or check.is_windowed
        ):
            continue
        name = name_at(step, check, hold.level)
        judge(context, step, check, _of_hold(context, step, check, hold), name=name, holds=(hold,))


def checks_at(step: PlannedStep, level: Level) -> Iterator[Check]:
    """Yield the checks of a step but for those of another load point."""
    for check in step.checks:
        if check.at is None or (level.load is not None and check.at == level.load.value):
            yield check


def name_at(step: PlannedStep, check: Check, level: Level) -> str:
    """Return what a check is called in the record, judged at a level."""
    everywhere = step.step.judged_by_level and check.at is None
    return f"{check.name} at {level.label}" if everywhere else check.name


def started(check: Check) -> bool:
    """Whether a check's figure comes from the whole start, and no hold."""
    return Situation.STARTED in MEASURES[check.measure].situations


def dipped(check: Check) -> bool:
    """Whether a check's figure comes from a drop of the input, and no hold."""
    return Situation.DIPPED in MEASURES[check.measure].situations


def cycled(check: Check) -> bool:
    """Whether a check's figure comes from power that is off and comes back, and no hold."""
    return Situation.CYCLED in MEASURES[check.measure].situations


def judge_across(context: Context, step: PlannedStep, holds: Sequence[Hold]) -> None:
    """Judge every check of a step that compares its holds."""
    for check in step.checks:
        if check.measure in _ACROSS_HOLDS:
            for suffix, estimate in _ACROSS_HOLDS[check.measure](context, step, check, holds):
                judge(context, step, check, estimate, name=f"{check.name}{suffix}", holds=holds)


def judge_dropped(context: Context) -> None:
    """Enter the checks this bench cannot make: nothing was proved, so they are undecided."""
    for step in context.plan.steps:
        context.step_name = step.name
        for check, why in step.dropped:
            context.event(EventKind.NOT_CHECKED, f"{check.name}: {why}")
            judge(context, step, check, UNKNOWN)


def judge_undone(context: Context, step: PlannedStep, why: str) -> None:
    """Enter the checks of a step that could not be carried out: undecided."""
    context.event(EventKind.NOT_DONE, why)
    for check in step.checks:
        judge(context, step, check, UNKNOWN)


def judge(
    context: Context,
    step: PlannedStep,
    check: Check,
    estimate: Estimate,
    *,
    name: str = "",
    stated: bool = True,
    holds: Sequence[Hold] = (),
    place: int | None = None,
) -> CheckRow:
    """Judge one figure, made of these holds, and enter it into the record, last or at a place.

    A figure that nobody ``stated`` an accuracy for is compared as it is, by the simple rule, and
    the record names no uncertainty.
    """
    made_of = step.made_of.get(check.name, ())
    band = out_of_band(context.bench.file, check, made_of, estimate.value)
    found = (
        told
        for hold in holds
        for told in rests_on_disagreement(context.disagreed.get(hold.number, {}), made_of)
    )
    apart = (Contribution(name=told, standard=math.inf) for told in dict.fromkeys(found))
    uncertainty = combine((*estimate.contributions, *band, *apart))
    expanded = uncertainty.expanded if math.isfinite(uncertainty.expanded) else math.nan
    decision = decide(
        estimate.value, low=check.low, high=check.high, expanded=expanded, rule=check.rule
    )
    row = CheckRow(
        step=step.name,
        check=name or check.name,
        quantity=check.measure,
        value=estimate.value,
        unit=check.unit,
        low=check.low,
        high=check.high,
        uncertainty=expanded if stated else math.nan,
        rule=check.rule,
        verdict=decision.verdict.value,
        margin=decision.margin,
        budget=uncertainty.contributions,
        source=check.source or "",
    )
    told = f"Check {check.name!r} of step {step.number} "
    if row.unknown and not any(point.text.startswith(told) for point in context.plan.open_points):
        context.warnings.append(f"{row.check} is undecided: {'; '.join(row.unknown)}.")
    rests_on = [(hold.number, reading) for hold in holds for reading in made_of]
    context.judged(row, rests_on, place)
    return row


def _of_hold(context: Context, step: PlannedStep, check: Check, hold: Hold) -> Estimate:
    """Return what a check asks of one hold."""
    made_of, readings = step.made_of[check.name], _readings(hold)
    if check.figure == "drift":
        return drift_of(context.bench.file, made_of[0], hold.times, readings)
    if check.figure == "end":  # where a slow rise has got to
        values = {
            name: series[-max(_FEWEST_AT_END, series.size // _ENDS) :]
            for name, series in hold.readings.items()
        }
        readings = replace(readings, values=values)
    return _worked_out(context, check.measure, made_of, readings)


def _readings(hold: Hold) -> Readings:
    return Readings(hold.readings, hold.least_change)


def _worked_out(
    context: Context, measure: str, made_of: Sequence[str], readings: Readings
) -> Estimate:
    """Apply a figure's formula to the means of what it is made of; a reading's is its mean."""
    means = [mean_of(context, name, readings) for name in made_of]
    return _OF_ONE_HOLD[measure](*means) if measure in _OF_ONE_HOLD else means[0]


#: Formulas of the figures of one hold, over the means of what the catalogue says they are made of.
_OF_ONE_HOLD: Mapping[str, Callable[..., Estimate]] = {
    "efficiency": lambda input_w, *outputs_w: quotient(
        total(outputs_w), input_w, called="supply.power"
    ),
    "power_factor": partial(quotient, called="supply.voltage times supply.current"),
}


def _output(context: Context, step: PlannedStep) -> Output:
    return step.step.loaded_output(context.plan.profile.unit)


def _average_efficiency(
    context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """Mean of the efficiencies at the four load points; instrument errors are the same in all.

    Source: EU 2019/1782, Annex II: the arithmetic mean at 25, 50, 75 and 100 % of nominal current.
    """
    full_a = _output(context, step).current_a

    def nearest(current_a: float) -> Hold:
        return min(holds, key=lambda hold: abs((hold.level.load_current_a or 0.0) - current_a))

    points = [
        _worked_out(
            context, "efficiency", step.made_of[check.name], _readings(nearest(share * full_a))
        )
        for share in AVERAGE_FRAC
    ]
    causes = [cause for point in points for cause in point.contributions]
    shared = {cause.name for cause in causes if math.isinf(cause.dof)}  # stated bounds, no scatter
    yield "", average(points, shared=shared)


def _load_regulation(
    context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the least loaded point to the most loaded one, by one instrument.

    Both voltages come from one instrument, so part of its error cancels; how much, no data sheet
    says, so both count as independent, which overstates the uncertainty and never understates it.
    """
    output = _output(context, step)

    def load_a(hold: Hold) -> float:
        point = hold.level.load
        return 0.0 if point is None or point.value == 0 else point.current_a(output)

    yield "", _change(context, step, check, sorted(holds, key=load_a))


def _line_regulation(
    context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the lowest line voltage to the highest, at each frequency for itself."""
    for suffix, corners in _by_frequency(holds):
        yield suffix, _change(context, step, check, corners)


def _input_power_rise(
    context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the lowest line voltage to the highest, at each frequency for itself.

    Both powers come from one instrument; they count as independent, as in a load regulation.
    """
    for suffix, corners in _by_frequency(holds):
        [power] = step.made_of[check.name]
        ends = (mean_of(context, power, _readings(hold)) for hold in (corners[0], corners[-1]))
        yield suffix, rise(*ends)


def _by_frequency(holds: Sequence[Hold]) -> Iterator[tuple[str, list[Hold]]]:
    """Yield the corners of each frequency by rising voltage, with what a check's name ends with."""
    groups = [list(group) for _, group in groupby(holds, key=lambda one: one.level.frequency_hz)]
    for group in groups:
        corners = sorted(group, key=lambda hold: hold.level.voltage_v)
        _, _, frequency = corners[0].level.label.partition(", ")
        yield f" at {frequency}" if len(groups) > 1 else "", corners


def _rise_delay(
    context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the output that is to come up first to the other one, by what meters read in turn."""
    outputs = context.plan.profile.unit.output
    assert check.output is not None  # the rules of the profile
    assert check.after is not None
    between = []
    for name, reading in zip((check.output, check.after), step.made_of[check.name], strict=True):
        noted = context.rises.get((step.number, reading), [])
        in_hold = zip(holds[0].times[reading], holds[0].readings[reading], strict=True)
        times_s, volts_v = zip(*noted, *in_hold, strict=True)
        between.append(came_up(times_s, volts_v, outputs[name].nominal_v))
    second, first = between
    yield "", rise_delay(first, second, low=check.low, high=check.high)


def _change(context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]) -> Estimate:
    """Size of the change of output voltage over nominal: an upper limit binds either way."""
    [measure] = step.made_of[check.name]
    outputs = context.plan.profile.unit.output
    output = outputs[check.output] if check.output else _output(context, step)
    first, last = (mean_of(context, measure, _readings(hold)) for hold in (holds[0], holds[-1]))
    change = regulation(first, last, output.nominal_v)
    return replace(change, value=abs(change.value))


#: Figures that compare the holds of a step, each with what the check's name is followed by.
_ACROSS_HOLDS: Mapping[
    str, Callable[[Context, PlannedStep, Check, Sequence[Hold]], Iterator[tuple[str, Estimate]]]
] = {
    "average_efficiency": _average_efficiency,
    "load_regulation": _load_regulation,
    "cross_regulation": _load_regulation,
    "rise_delay": _rise_delay,
    "line_regulation": _line_regulation,
    "input_power_rise": _input_power_rise,
}
