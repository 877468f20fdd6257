"""What a start told of the unit: its readings weighed, told and judged."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Literal

import numpy as np

from harness.bench.dialect import bench_dialects
from harness.judge.propagate import Estimate, unknown
from harness.judge.start_charge import weigh_dc
from harness.judge.start_curve import LevelReadings, StartFigures, SupplyErrors, all_told
from harness.judge.start_draw import weigh_begin, weigh_energy, weigh_switch_on
from harness.judge.start_energy import weigh_ac
from harness.judge.start_rest import weigh_idle, weigh_leak
from harness.judge.uncertainty import combine
from harness.profile.ac_readings import ac_unit
from harness.profile.instruments import Supply
from harness.profile.level import Level
from harness.profile.measures import MEASURES, PEAK
from harness.profile.plan import PlannedStep
from harness.profile.start_readings import reading_error, supply_errors
from harness.profile.untold import untold
from harness.record.events import EventKind
from harness.record.figures import Figure, Figures, FittedLevel, Gain, figures_detail
from harness.run.checks import judge, started
from harness.run.context import Context
from harness.run.start_log import StartLog

#: Longest time that figures are worked out for; a tenth of it is usual.
_LONGEST_S = 1.0


def tell_start(context: Context, step: PlannedStep, log: StartLog, *, label: str = "") -> None:
    """Say what a start told of the unit, and judge the step's checks of it.

    The fit takes a few hundredths of a second, and only once the last level has been held: the
    keeper reads and watches on by itself meanwhile. ``label`` tells one of several restarts.
    """
    context.host.expect_silence(_LONGEST_S)
    told = StartFigures()
    supply = context.bench.file.settable
    if supply is not None:  # a hand's way up tells nothing of the unit
        told = all_told(_weigh(context, supply, log), _switch_on(context, supply))
    tell(context, "start", told)
    for check in step.checks:
        if started(check):
            name = f"{check.name} at {label}" if label else check.name
            why = _untold(context, check.measure)
            estimate = unknown(why) if why else told.told(check.measure, check.level)
            judge(context, step, check, estimate, name=name)


def tell(context: Context, of: Literal["start", "discharge"], told: StartFigures) -> None:
    """Put figures of the unit, and the curve they come from, into the record."""
    figures = tuple(_figures(told))
    if not figures:
        return
    fitted = tuple(
        FittedLevel(
            level=curve.label,
            times_s=tuple(time_s - context.origin_s for time_s in curve.times_s),
            voltage_v=curve.voltage_v,
            current_a=curve.current_a,
        )
        for curve in told.fitted
    )
    gains = tuple(
        Gain(
            level=gain.label,
            square_v2=gain.square_v2,
            energy_j=gain.energy_j,
            expanded_j=gain.expanded_j,
        )
        for gain in told.gained
    )
    event = Figures(of=of, figures=figures, fitted=fitted, gains=gains)
    context.event(EventKind.FIGURES, figures_detail(event))


def estimates_of(told: StartFigures) -> dict[str, Estimate]:
    """Return the figures by measure; where there is none, its uncertainty is infinite: says why."""
    return {**{name: unknown(why) for name, why in told.why_not.items()}, **told.estimates}


def _untold(context: Context, measure: str) -> str:
    line, holds_peak = context.plan.profile.fed.input, _holds_peak(context)
    return untold(measure, line, holds_peak=holds_peak)


def _holds_peak(context: Context) -> bool:
    return f"measure_{PEAK}" in bench_dialects(context.bench.file)["supply"].operations


def _weigh(context: Context, supply: Supply, log: StartLog) -> StartFigures:
    """Have the levels below the converter's threshold weighed."""
    line = context.plan.profile.fed.input
    levels = list(log.levels())
    if not levels:
        return StartFigures()
    readings = [read for _, read in levels]
    below = list(fed_by_level(levels, line.start_threshold_v))
    above = [read for level, read in levels if level.voltage_v >= line.start_threshold_v]
    errors = _errors_of(context, supply, below or readings[:1])
    whole = _errors_of(context, supply, readings)
    frequency_hz = levels[0][0].frequency_hz
    draws = (
        weigh_begin(readings, whole.voltage, line.idle_power_w),
        weigh_energy(readings, whole, frequency_hz=frequency_hz),
        weigh_idle(above, whole, ac=line.kind == "ac"),
    )
    if line.kind == "dc":
        charged = weigh_dc(below, errors, least_over_own=line.least_over_own)
        return all_told(charged, weigh_leak(below, errors), *draws)
    assert frequency_hz is not None
    unit = ac_unit(line, frequency_hz)
    return all_told(weigh_ac(below, errors, unit), weigh_leak(below, errors, unit), *draws)


def fed_by_level(
    levels: Iterable[tuple[Level, LevelReadings]], threshold_v: float
) -> Iterator[LevelReadings]:
    """Yield the levels whose voltage the bulk capacitor has, and nothing else does.

    Below the threshold no converter runs; below what was found on the capacitor before a later
    start it keeps that, behind its rectifier, whatever the line's peak.
    """
    for level, read in levels:
        found_v = 0.0 if level.budget is None else level.budget.charged_v
        if found_v < level.voltage_v < threshold_v:
            yield read


def _switch_on(context: Context, supply: Supply) -> StartFigures:
    """Read the highest current since power came on, where the supply holds it."""
    if not _holds_peak(context):
        return StartFigures()
    if PEAK not in supply.accuracy:  # nothing is asked for that no uncertainty can be stated of
        return weigh_switch_on(math.nan, None)
    peak_a = context.host.read("supply", PEAK)[PEAK]
    return weigh_switch_on(peak_a, reading_error(supply, PEAK, peak_a))


def _figures(told: StartFigures) -> Iterator[Figure]:
    """Yield each figure, or why there is none, in the order of the catalogue, level by level."""
    for name, measure in MEASURES.items():
        levels = told.by_level.get(name) or {}
        if not levels and (name in told.estimates or name in told.why_not):
            levels = {"": told.told(name)}
        for level, estimate in levels.items():
            why_not, expanded = estimate.why_not, math.nan
            if not why_not:
                expanded = combine(estimate.contributions).expanded
            yield Figure(
                measure=name,
                level=level,
                unit=measure.unit,
                value=estimate.value,
                expanded=expanded,
                why_not=why_not,
            )


def _errors_of(context: Context, supply: Supply, levels: list[LevelReadings]) -> SupplyErrors:
    """Return what is known of the supply's readings; the time each takes is that between two."""
    apart_s = np.concatenate([np.diff(level.times_s) for level in levels])
    return supply_errors(
        supply,
        most_v=max(level.set_v for level in levels),
        most_a=max(level.limit_a for level in levels),
        reading_s=float(np.median(apart_s)) if apart_s.size else 0.0,
        window_s=context.plan.averaged_s,
    )
