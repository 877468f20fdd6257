"""From readings to judged checks: means, computed figures, their uncertainty, the verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence

from harness.judge.propagate import Estimate, power_factor, ratio, regulation
from harness.judge.uncertainty import combine
from harness.judge.verdict import Verdict, decide
from harness.profile.plan import PlannedStep
from harness.profile.schema import Check, LoadStep
from harness.record.sink import CheckRow
from harness.run.budget import mean_causes
from harness.run.context import Context, Hold

__all__ = ["judge_across", "judge_checks", "judge_dropped", "needed_readings"]


def needed_readings(context: Context, step: PlannedStep) -> frozenset[str]:
    """Measure names that must be read during a hold, so that the step's checks can be judged."""
    return frozenset(name for check in step.checks for name in _inputs(context, check.measure))


def judge_checks(context: Context, step: PlannedStep, hold: Hold) -> None:
    """Judge every check of a step that is made of one hold."""
    point_a = hold.level.load_current_a
    for check in step.checks:
        if check.measure in _ACROSS or (check.at is not None and check.at != point_a):
            continue
        everywhere = point_a is not None and check.at is None
        name = f"{check.name} at {hold.level.label}" if everywhere else check.name
        _judge(context, step, check, name, _estimate(context, check.measure, hold))


def judge_across(context: Context, step: PlannedStep, holds: Sequence[Hold]) -> None:
    """Judge every check of a step that compares its holds."""
    for check in step.checks:
        if check.measure in _ACROSS:
            _judge(context, step, check, check.name, _ACROSS[check.measure](context, step, holds))


def judge_dropped(context: Context) -> None:
    """Enter the checks this bench cannot make: nothing was proved, so they are undecided."""
    for step in context.plan.steps:
        context.step_name = step.name
        for check, why in step.dropped:
            context.event("not checked", f"{check.name}: {why}")
            _judge(context, step, check, check.name, Estimate(value=math.nan))


def _judge(
    context: Context, step: PlannedStep, check: Check, name: str, estimate: Estimate
) -> None:
    uncertainty = combine(estimate.contributions)
    expanded = uncertainty.expanded if math.isfinite(uncertainty.expanded) else math.nan
    decision = decide(
        estimate.value, low=check.low, high=check.high, expanded=expanded, rule=check.rule
    )
    context.judged(
        CheckRow(
            step=step.name,
            check=name,
            quantity=check.measure,
            value=estimate.value,
            unit=check.unit,
            low=check.low,
            high=check.high,
            uncertainty=expanded,
            rule=check.rule,
            verdict=Verdict(decision.verdict).value,
            margin=decision.margin,
            budget=uncertainty.contributions,
        )
    )


# --- estimates from a hold -------------------------------------------------------------------


def _estimate(context: Context, measure: str, hold: Hold) -> Estimate:
    computed = _COMPUTED.get(measure)
    return _mean(context, measure, hold) if computed is None else computed(context, hold)


def _mean(context: Context, measure: str, hold: Hold) -> Estimate:
    """Mean of the readings, with the instrument's accuracy and their scatter."""
    value = float(hold.readings[measure].mean())
    causes = mean_causes(context.bench.file, measure, hold.readings)
    return Estimate(value=value, contributions=causes)


def _efficiency(context: Context, hold: Hold) -> Estimate:
    return ratio(_mean(context, "load.power", hold), _mean(context, "supply.power", hold))


def _power_factor(context: Context, hold: Hold) -> Estimate:
    return power_factor(
        _mean(context, "supply.power", hold),
        _mean(context, "supply.voltage", hold),
        _mean(context, "supply.current", hold),
    )


def _load_regulation(context: Context, step: PlannedStep, holds: Sequence[Hold]) -> Estimate:
    """From the least loaded point to the most loaded one, by one instrument.

    Both voltages come from one instrument, so part of its error cancels; how much, no data sheet
    says, so both count as independent, which overstates the uncertainty and never understates it.
    """
    unit = context.plan.profile.unit
    measure = _output_voltage(context)
    points = sorted(holds, key=lambda hold: hold.level.load_current_a or 0.0)
    assert isinstance(step.step, LoadStep)
    output = step.step.output or next(iter(unit.output))
    return regulation(
        _mean(context, measure, points[0]),
        _mean(context, measure, points[-1]),
        unit.output[output].nominal_v,
    )


def _output_voltage(context: Context) -> str:
    """The best instrument at the output: the meter where there is one, else the load."""
    return "load.voltage" if context.bench.meter is None else "meter.voltage_dc"


#: Figures computed from one hold.
_COMPUTED: Mapping[str, Callable[[Context, Hold], Estimate]] = {
    "efficiency": _efficiency,
    "power_factor": _power_factor,
}

#: Figures computed across the holds of a step.
_ACROSS: Mapping[str, Callable[[Context, PlannedStep, Sequence[Hold]], Estimate]] = {
    "load_regulation": _load_regulation,
}


def _inputs(context: Context, measure: str) -> Iterable[str]:
    """Measure names that must be read for a measure."""
    if measure == "efficiency":
        return ("load.power",)
    if measure == "load_regulation":
        return (_output_voltage(context),)
    return () if measure in _COMPUTED else (measure,)
