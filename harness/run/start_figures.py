"""What a start told of the unit: its readings weighed, told and judged."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from harness.bench.dialect import bench_dialects
from harness.judge.propagate import Estimate
from harness.judge.start_charge import weigh_dc
from harness.judge.start_curve import LevelReadings, StartFigures, SupplyErrors
from harness.judge.uncertainty import Contribution, combine
from harness.profile.measures import MEASURES
from harness.profile.plan import PlannedStep
from harness.profile.start_readings import supply_errors
from harness.record.events import EventKind
from harness.record.figures import Figure, Figures, FittedLevel, figures_detail
from harness.run.checks import UNKNOWN, judge, started
from harness.run.context import Context
from harness.run.start_log import StartLog

#: Longest time that figures are worked out for; a tenth of it is usual.
_LONGEST_S = 1.0


def tell_start(context: Context, step: PlannedStep, log: StartLog) -> None:
    """Say what a start told of the unit, and judge the step's checks of it.

    The fit takes a few hundredths of a second, and only once the last level has been held: the
    keeper reads and watches on by itself meanwhile.
    """
    context.host.expect_silence(_LONGEST_S)
    told = _weigh(context, log)
    figures = tuple(_figures(told))
    if figures:
        fitted = tuple(
            FittedLevel(
                level=curve.label,
                times_s=tuple(time_s - context.origin_s for time_s in curve.times_s),
                voltage_v=curve.voltage_v,
                current_a=curve.current_a,
            )
            for curve in told.fitted
        )
        event = Figures(of="start", figures=figures, fitted=fitted)
        context.event(EventKind.FIGURES, figures_detail(event))
    for check in step.checks:
        if started(check):
            judge(context, step, check, _estimate(told, check.measure))


def _weigh(context: Context, log: StartLog) -> StartFigures:
    """Have the levels below the converter's threshold weighed."""
    line = context.plan.profile.unit.input
    levels = list(log.levels())
    if line.kind == "ac" or not levels:
        return StartFigures()
    readings = [readings for level, readings in levels if level.voltage_v < line.start_threshold_v]
    return weigh_dc(readings, _errors_of(context, readings or [levels[0][1]]))


def _figures(told: StartFigures) -> Iterator[Figure]:
    """Yield each figure, or why there is none, in the order of the catalogue."""
    for name, measure in MEASURES.items():
        if name in told.estimates:
            estimate = told.estimates[name]
            expanded = combine(estimate.contributions).expanded
            yield Figure(measure=name, unit=measure.unit, value=estimate.value, expanded=expanded)
        elif name in told.why_not:
            yield Figure(measure=name, unit=measure.unit, why_not=told.why_not[name])


def _estimate(told: StartFigures, measure: str) -> Estimate:
    """Return a figure; where there is none, its uncertainty is infinite, and says why."""
    if measure in told.estimates:
        return told.estimates[measure]
    why = told.why_not.get(measure, "this start does not tell it")
    return Estimate(
        value=UNKNOWN.value, contributions=(Contribution(name=why, standard=float("inf")),)
    )


def _errors_of(context: Context, levels: list[LevelReadings]) -> SupplyErrors:
    """Return what is known of the supply's readings; the time each takes is that between two."""
    supply = context.bench.file.supply
    window_s = supply.averaging_window_s
    if window_s is None:
        window_s = bench_dialects(context.bench.file)["supply"].link.averaging_window_s
    apart_s = np.concatenate([np.diff(level.times_s) for level in levels])
    return supply_errors(
        supply,
        most_v=max(level.set_v for level in levels),
        most_a=max(level.limit_a for level in levels),
        reading_s=float(np.median(apart_s)) if apart_s.size else 0.0,
        window_s=window_s,
    )
