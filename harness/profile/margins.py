"""Where a plan leaves a healthy unit little room: what trips there may be no fault of the unit.

The budgets allow for the reading errors of the supply, a capacitor across its terminals, and leads
(safety rule 6). What is left, and can be held against a plan's figures, is told here. A converter
whose output takes more than the bulk capacitor and a low limit give, so that it begins and stops
again and again, cannot: how much that is, no nameplate says; rehearse with a unit model.

Source: P = V I; t = E / (k V I), k = 0.5 for a capacitor-input rectifier; textbook. The bounds
below: common practice, and healthy units rehearsed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level
from harness.profile.plan import PlannedStep
from harness.profile.schema import Envelope
from harness.profile.start_levels import bridges, surge_a
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput, Unit

#: Averaging windows at the limit to fill in, and current over the envelope's: healthy units were
#: seen to trip from 1.7 and, few of them, from 1.1 on. Start levels are worked out for one window.
_MOST_WINDOWS, _MOST_SURGE = 1.5, 1.1
#: What a fill that takes so many windows is of what may stay unexplained.
_MOST_OF_SLACK = 0.7
#: What goes in over what comes out of a converter under load. Source: common practice.
_EFFICIENCY = 0.88


#: A level that is watched on the way up, with what it is called.
_Watched = tuple[str, Level, InrushAllowance]


def tight_levels(
    unit: Unit, envelope: Envelope, steps: Iterable[PlannedStep], *, bench_known: bool
) -> Iterator[str]:
    """Yield, for each way a healthy unit can be stopped, the level with the least room for it.

    Without a bench nobody knows how long an AC source averages its readings: nothing is said of it.
    """
    line = unit.input
    if not isinstance(line, AcInput):
        return
    levels = [
        (f"Step {step.number} ({step.name}), {level.label}", step, level)
        for step in steps
        for level in step.levels
    ]
    if bench_known:
        watched = [
            (where, each, each.budget) for where, _, each in levels if each.budget is not None
        ]
        for tight in (_long_in_limit(watched, line), _surge(watched, line, envelope)):
            _, text = max(tight, key=lambda found: found[0], default=(0.0, ""))
            if text:
                yield text
    for where, step, level in levels:
        if not _bridged(unit, line, step, level):
            yield (
                f"{where}: {_show(line.bulk_capacitance_f or 0.0, 'F')} are empty before the next "
                "half-cycle comes, so that the converter stops and starts again. A healthy unit "
                "can trip on unsettled: check bulk_capacitance, idle_power and start_threshold, "
                "leave out levels just above the threshold, or load the unit less."
            )
            return


def _long_in_limit(watched: Iterable[_Watched], line: AcInput) -> Iterator[tuple[float, str]]:
    """An AC source that stays in its limit while the bulk capacitor fills: how long, and where.

    It no longer gives a sine: its rms voltage lags behind what the capacitor holds, while the
    energy that goes in is counted at once.
    """
    for where, level, budget in watched:
        fill_s = budget.healthy / (line.power_factor * budget.to_v * level.current_limit_a)
        windows = fill_s / budget.window_s
        # at a limit so slow that it might be a leak nothing, or little, counts as unexplained
        passes_a = line.power_factor * level.current_limit_a
        counted = 1.0 - (budget.leakage_a + budget.current_error_a) / passes_a
        seen = counted * budget.healthy > _MOST_OF_SLACK * budget.slack(level.current_limit_a)
        if windows > _MOST_WINDOWS and seen:
            text = (
                f"{where}: to fill the bulk capacitor the source stays in its limit for "
                f"{_show(fill_s, 's')}, {_show(windows, '1')} times what it averages its readings "
                f"over. From {_show(_MOST_WINDOWS, '1')} times on a healthy unit can trip on "
                "energy_budget: put in more levels, or raise the limit."
            )
            yield windows, text


def _surge(
    watched: Iterable[_Watched], line: AcInput, envelope: Envelope
) -> Iterator[tuple[float, str]]:
    """Readings above the envelope while a source comes down to its limit: how high, and where."""
    for where, level, budget in watched:
        most_a = surge_a(line, budget.from_v, budget.to_v, level.current_limit_a, budget.window_s)
        if most_a / envelope.current_a > _MOST_SURGE:
            text = (
                f"{where}: before the source has come down to its limit it may read "
                f"{_show(most_a, 'A')} for a moment, the envelope is "
                f"{_show(envelope.current_a, 'A')}. A healthy unit can trip on over_current: put "
                "in more levels, or lower the limit."
            )
            yield most_a, text


def _bridged(unit: Unit, line: AcInput, step: PlannedStep, level: Level) -> bool:
    """Whether the bulk capacitor bridges the time from peak to peak with what the level draws."""
    if line.boosted_v is not None and level.voltage_v >= line.start_threshold_v:
        return True  # its boost stage draws in every part of the half-cycle
    power_w = line.own_power_w
    if level.load_current_a:
        output = step.step.loaded_output(unit)
        power_w += level.load_current_a * output.nominal_v / _EFFICIENCY
    for name, current_a in getattr(step.step, "others", {}).items():
        power_w += current_a * unit.output[name].nominal_v / _EFFICIENCY
    return level.voltage_v < line.start_threshold_v or bridges(line, level.voltage_v, power_w)


def _show(value: float, unit: str) -> str:
    return format_quantity(value, unit, 2)
