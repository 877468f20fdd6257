"""Figures from readings: means, drifts, and what is computed from one hold or from several."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby

from harness.judge.propagate import Estimate, average, power_factor, ratio, regulation
from harness.judge.series import drift
from harness.profile.check import Check
from harness.profile.check_rules import AVERAGE_FRAC
from harness.profile.measures import MEASURES
from harness.profile.plan import PlannedStep
from harness.run.budget import mean_causes
from harness.run.context import Context
from harness.run.rest import Hold
from harness.unit.nameplate import Output

#: The end of a hold is its last twentieth, and so many readings at least.
_ENDS, _FEWEST_AT_END = 20, 5

#: A figure across the holds of a step, each with what the check's name is followed by.
_AcrossHolds = Callable[[Context, PlannedStep, Sequence[Hold]], Iterator[tuple[str, Estimate]]]


def of_hold(context: Context, check: Check, hold: Hold) -> Estimate:
    """Return what a check asks of one hold."""
    if check.figure == "drift":
        return drift(hold.times[check.measure], hold.readings[check.measure], check.measure)
    if check.figure == "end":
        return mean_of(context, check.measure, _end_of(hold))
    if check.measure in _OF_ONE_HOLD:
        return _computed(context, check.measure, hold)
    return mean_of(context, check.measure, hold)


def _end_of(hold: Hold) -> Hold:
    """Return the last part of a hold: where a slow rise has got to."""
    tails = {
        name: values[-max(_FEWEST_AT_END, values.size // _ENDS) :]
        for name, values in hold.readings.items()
    }
    return Hold(hold.level, tails)


def is_across(check: Check) -> bool:
    """Whether a check compares the holds of a step."""
    return check.measure in _ACROSS_HOLDS


def figures_across(
    context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """Yield what a check asks of all holds, each with what its name is followed by."""
    yield from _ACROSS_HOLDS[check.measure](context, step, holds)


def needed(context: Context, check: Check) -> Iterable[str]:
    """Measure names that must be read for a check, beside the supply's samples."""
    return (name for name in rests_on(context, check) if not name.startswith("supply."))


def rests_on(context: Context, check: Check) -> Iterable[str]:
    """Measure names of all readings that a check's figure is made of, the supply's too."""
    return MEASURES[check.measure].readings(has_meter=context.bench.meter is not None)


def mean_of(context: Context, measure: str, hold: Hold) -> Estimate:
    """Mean of the readings, with the instrument's accuracy and their scatter."""
    value = float(hold.readings[measure].mean())
    causes = mean_causes(context.bench.file, measure, hold.readings)
    return Estimate(value=value, contributions=causes)


def _computed(context: Context, measure: str, hold: Hold) -> Estimate:
    """Apply a figure's formula to the means of what it is made of."""
    names = MEASURES[measure].made_of
    return _OF_ONE_HOLD[measure](*(mean_of(context, name, hold) for name in names))


def _efficiency(input_w: Estimate, output_w: Estimate) -> Estimate:
    return ratio(output_w, input_w)


def _average_efficiency(
    context: Context, step: PlannedStep, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """Mean of the efficiencies at the four load points; instrument errors are the same in all.

    Source: EU 2019/1782, Annex II: the arithmetic mean at 25, 50, 75 and 100 % of nominal current.
    """

    def nearest(current_a: float) -> Hold:
        return min(holds, key=lambda hold: abs((hold.level.load_current_a or 0.0) - current_a))

    nominal_a = step.step.loaded_output(context.plan.profile.unit).current_a
    points = [
        _computed(context, "efficiency", nearest(share * nominal_a)) for share in AVERAGE_FRAC
    ]
    causes = [cause for point in points for cause in point.contributions]
    shared = {cause.name for cause in causes if math.isinf(cause.dof)}  # stated bounds, no scatter
    yield "", average(points, shared=shared)


def _load_regulation(
    context: Context, step: PlannedStep, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the least loaded point to the most loaded one, by one instrument.

    Both voltages come from one instrument, so part of its error cancels; how much, no data sheet
    says, so both count as independent, which overstates the uncertainty and never understates it.
    """
    output = step.step.loaded_output(context.plan.profile.unit)

    def load_a(hold: Hold) -> float:
        point = hold.level.load
        return 0.0 if point is None or point.value == 0 else point.current_a(output.nominal_v)

    yield "", _change(context, "load_regulation", sorted(holds, key=load_a), output)


def _line_regulation(
    context: Context, step: PlannedStep, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the lowest line voltage to the highest, at each frequency for itself."""
    output = step.step.loaded_output(context.plan.profile.unit)
    groups = [list(group) for _, group in groupby(holds, key=lambda one: one.level.frequency_hz)]
    for group in groups:
        corners = sorted(group, key=lambda hold: hold.level.voltage_v)
        _, _, frequency = corners[0].level.label.partition(", ")
        suffix = f" at {frequency}" if len(groups) > 1 else ""
        yield suffix, _change(context, "line_regulation", corners, output)


def _change(context: Context, figure: str, holds: Sequence[Hold], output: Output) -> Estimate:
    """Size of the change of output voltage over nominal: an upper limit binds either way."""
    [measure] = MEASURES[figure].readings(has_meter=context.bench.meter is not None)
    first, last = (mean_of(context, measure, hold) for hold in (holds[0], holds[-1]))
    change = regulation(first, last, output.nominal_v)
    return replace(change, value=abs(change.value))


#: Formulas of the figures of one hold, over the means of what the catalogue says they are made of.
_OF_ONE_HOLD: Mapping[str, Callable[..., Estimate]] = {
    "efficiency": _efficiency,
    "power_factor": power_factor,
}

#: Figures that compare the holds of a step.
_ACROSS_HOLDS: Mapping[str, _AcrossHolds] = {
    "average_efficiency": _average_efficiency,
    "load_regulation": _load_regulation,
    "line_regulation": _line_regulation,
}
