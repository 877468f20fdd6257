"""Figures from readings: means, drifts, and what is computed from one hold or from several."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby

from harness.judge.drift import drift
from harness.judge.propagate import Estimate, average, power_factor, ratio, regulation
from harness.profile.check_rules import AVERAGE_FRAC
from harness.profile.plan import PlannedStep
from harness.profile.schema import Check
from harness.run.budget import mean_causes
from harness.run.context import Context
from harness.run.rest import Hold
from harness.unit.nameplate import Output

__all__ = ["figures_across", "is_across", "mean_of", "needed", "of_hold", "rests_on"]


#: Fewest readings that the end of a hold is made of.
_FEWEST_AT_END = 5


def of_hold(context: Context, check: Check, hold: Hold) -> Estimate:
    """Return what a check asks of one hold."""
    if check.figure == "drift":
        return drift(hold.times[check.measure], hold.readings[check.measure], check.measure)
    if check.figure == "end":
        return mean_of(context, check.measure, _end_of(hold))
    computed = _COMPUTED.get(check.measure)
    return mean_of(context, check.measure, hold) if computed is None else computed(context, hold)


def _end_of(hold: Hold) -> Hold:
    """Return the last twentieth of a hold, five readings at least: where a slow rise has got to."""
    tails = {
        name: values[-max(_FEWEST_AT_END, values.size // 20) :]
        for name, values in hold.readings.items()
    }
    return Hold(hold.level, tails)


def is_across(check: Check) -> bool:
    """Whether a check compares the holds of a step."""
    return check.measure in _ACROSS


def figures_across(
    context: Context, step: PlannedStep, check: Check, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """Yield what a check asks of all holds, each with what its name is followed by."""
    yield from _ACROSS[check.measure](context, step, holds)


def needed(context: Context, check: Check) -> Iterable[str]:
    """Measure names that must be read for a check."""
    if check.measure in ("efficiency", "average_efficiency"):
        return ("load.power",)
    if check.measure == "load_regulation":
        return (_output_voltage(context),)
    if check.measure == "line_regulation":
        return ("meter.voltage_dc",)
    return () if check.measure in _COMPUTED else (check.measure,)


def rests_on(context: Context, check: Check) -> Iterable[str]:
    """Measure names of all readings that a check's figure is made of, the supply's too."""
    if check.measure in ("efficiency", "average_efficiency"):
        return ("supply.power", "load.power")
    if check.measure == "power_factor":
        return ("supply.voltage", "supply.current", "supply.power")
    return needed(context, check)


def mean_of(context: Context, measure: str, hold: Hold) -> Estimate:
    """Mean of the readings, with the instrument's accuracy and their scatter."""
    value = float(hold.readings[measure].mean())
    causes = mean_causes(context.bench.file, measure, hold.readings)
    return Estimate(value=value, contributions=causes)


def _efficiency(context: Context, hold: Hold) -> Estimate:
    return ratio(mean_of(context, "load.power", hold), mean_of(context, "supply.power", hold))


def _power_factor(context: Context, hold: Hold) -> Estimate:
    return power_factor(
        mean_of(context, "supply.power", hold),
        mean_of(context, "supply.voltage", hold),
        mean_of(context, "supply.current", hold),
    )


def _average_efficiency(
    context: Context, step: PlannedStep, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """Mean of the efficiencies at the four load points; instrument errors are the same in all.

    Source: EU 2019/1782, Annex II: the arithmetic mean at 25, 50, 75 and 100 % of nominal current.
    """
    nominal_a = _output(context, step).current_a
    wanted = [share * nominal_a for share in AVERAGE_FRAC]
    points = [_efficiency(context, _nearest(holds, current_a)) for current_a in wanted]
    causes = [cause for point in points for cause in point.contributions]
    shared = {cause.name for cause in causes if math.isinf(cause.dof)}  # stated bounds, no scatter
    yield "", average(points, shared=shared)


def _nearest(holds: Sequence[Hold], current_a: float) -> Hold:
    return min(holds, key=lambda hold: abs((hold.level.load_current_a or 0.0) - current_a))


def _load_regulation(
    context: Context, step: PlannedStep, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the least loaded point to the most loaded one, by one instrument.

    Both voltages come from one instrument, so part of its error cancels; how much, no data sheet
    says, so both count as independent, which overstates the uncertainty and never understates it.
    """
    output = _output(context, step)
    points = sorted(holds, key=lambda hold: _load_a(hold, output))
    measure = _output_voltage(context)
    yield "", _change(context, measure, points[0], points[-1], output)


def _line_regulation(
    context: Context, step: PlannedStep, holds: Sequence[Hold]
) -> Iterator[tuple[str, Estimate]]:
    """From the lowest line voltage to the highest, at each frequency for itself."""
    output = _output(context, step)
    groups = [list(group) for _, group in groupby(holds, key=lambda one: one.level.frequency_hz)]
    for group in groups:
        corners = sorted(group, key=lambda hold: hold.level.voltage_v)
        _, _, frequency = corners[0].level.label.partition(", ")
        suffix = f" at {frequency}" if len(groups) > 1 else ""
        yield suffix, _change(context, "meter.voltage_dc", corners[0], corners[-1], output)


def _change(context: Context, measure: str, first: Hold, last: Hold, output: Output) -> Estimate:
    """Size of the change of output voltage over nominal: an upper limit binds either way."""
    change = regulation(
        mean_of(context, measure, first), mean_of(context, measure, last), output.nominal_v
    )
    return replace(change, value=abs(change.value))


def _load_a(hold: Hold, output: Output) -> float:
    point = hold.level.load
    return 0.0 if point is None or point.value == 0 else point.current_a(output.nominal_v)


def _output(context: Context, step: PlannedStep) -> Output:
    outputs = context.plan.profile.unit.output
    name: str | None = getattr(step.step, "output", None)
    return outputs[name or next(iter(outputs))]


def _output_voltage(context: Context) -> str:
    """The best instrument at the output: the meter where there is one, else the load."""
    return "load.voltage" if context.bench.meter is None else "meter.voltage_dc"


#: Figures computed from one hold.
_COMPUTED: Mapping[str, Callable[[Context, Hold], Estimate]] = {
    "efficiency": _efficiency,
    "power_factor": _power_factor,
}

_Across = Callable[[Context, PlannedStep, Sequence[Hold]], Iterator[tuple[str, Estimate]]]

#: Figures computed across the holds of a step.
_ACROSS: Mapping[str, _Across] = {
    "average_efficiency": _average_efficiency,
    "load_regulation": _load_regulation,
    "line_regulation": _line_regulation,
}
