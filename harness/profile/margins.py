"""Where a plan leaves a healthy unit little room: what trips there may be no fault of the unit.

The budgets allow for what is no fault: the reading errors of the supply, a capacitor across its
terminals, leads (safety rule 6). What is left, and can be held against a plan's figures:

- *An AC source that stays in its limit.* It no longer gives a sine: its rms voltage lags behind
  what the capacitor holds, while the energy that goes in is counted at once. From a level whose
  filling takes longer than a few averaging windows, it trips.
- *A bulk capacitor too small for what the unit draws.* Behind a rectifier it bridges the time from
  peak to peak. Where it is empty before, the converter stops and starts, and nothing rests.
- *An AC source before it limits.* It takes some half-cycles to come down to its limit, and what it
  reads meanwhile may be beyond the envelope.

What cannot be worked out from a plan: a converter that pulls the bulk voltage down again while it
fills its own output capacitor. How much that is, no nameplate says; a rehearsal with a unit model
shows it.

Source: P = V I; t = E / (k V I), k = 0.5 for a capacitor-input rectifier; textbook. The bounds
below: common practice, and healthy units rehearsed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from harness.profile.level import InrushAllowance, Level
from harness.profile.plan import PlannedStep
from harness.profile.schema import Envelope
from harness.profile.start_levels import bridges, surge_a
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput, Input, Unit

#: Averaging windows at the limit that an AC source may take to fill: healthy units were seen to
#: trip from 1.7 on; start levels are worked out for one.
_MOST_WINDOWS = 1.5
#: Current over the envelope's that may be read at worst: healthy units were seen to trip from 1.1
#: on, few of them.
_MOST_SURGE = 1.1
#: Power factor of a capacitor-input rectifier in a source's current limit.
_AC_POWER_FACTOR = 0.5
#: What goes in over what comes out of a converter under load. Source: common practice.
_EFFICIENCY = 0.88


@dataclass(frozen=True, slots=True)
class _Tight:
    """One level with little room: the graver, the more its ``use`` is above one."""

    use: float
    text: str


def tight_levels(
    unit: Unit, envelope: Envelope, steps: Iterable[PlannedStep], *, bench_known: bool
) -> Iterator[str]:
    """Yield, for each way a healthy unit can be stopped, the level with the least room for it.

    Args:
        unit: The nameplate.
        envelope: The hard bounds.
        steps: The steps of a plan.
        bench_known: Whether the plan is for a bench; without one nobody knows how long an AC source
            averages its readings, and nothing is said about it.

    Returns:
        Whole sentences; none where there is room.
    """
    levels = [
        (f"Step {step.number} ({step.name}), {level.label}", step, level)
        for step in steps
        for level in step.levels
    ]
    if not isinstance(unit.input, AcInput):
        return
    budgeted = [
        (where, level, level.budget) for where, _, level in levels if level.budget is not None
    ]
    for found in (
        [_long_in_limit(*entry) for entry in budgeted if bench_known],
        [_surge(*entry, unit.input, envelope) for entry in budgeted if bench_known],
    ):
        worst = max(filter(None, found), key=lambda tight: tight.use, default=None)
        if worst is not None:
            yield worst.text
    for where, step, level in levels:
        if not _bridged(unit, unit.input, step, level):
            yield _not_bridged(where, unit.input)
            break


def _long_in_limit(where: str, level: Level, budget: InrushAllowance) -> _Tight | None:
    """An AC source that stays in its limit while the bulk capacitor fills."""
    fill_s = budget.healthy / (_AC_POWER_FACTOR * budget.to_v * level.current_limit_a)
    windows = fill_s / budget.window_s
    if windows <= _MOST_WINDOWS:
        return None
    return _Tight(
        windows,
        f"{where}: to fill the bulk capacitor the source stays in its limit for "
        f"{_show(fill_s, 's')}, {_show(windows, '1')} times what it averages its readings over. "
        f"From {_show(_MOST_WINDOWS, '1')} times on a healthy unit can trip on energy_budget: put "
        "in more levels, or raise the limit.",
    )


def _surge(
    where: str, level: Level, budget: InrushAllowance, line: AcInput, envelope: Envelope
) -> _Tight | None:
    """Readings above the envelope while the source comes down to its limit."""
    most_a = surge_a(line, budget.from_v, budget.to_v, level.current_limit_a, budget.window_s)
    use = most_a / envelope.current_a
    if use <= _MOST_SURGE:
        return None
    return _Tight(
        use,
        f"{where}: before the source has come down to its limit it may read {_show(most_a, 'A')} "
        f"for a moment, the envelope is {_show(envelope.current_a, 'A')}. A healthy unit can trip "
        "on over_current: put in more levels, or lower the limit.",
    )


def _bridged(unit: Unit, line: AcInput, step: PlannedStep, level: Level) -> bool:
    """Whether the bulk capacitor bridges the half-cycles with what the level draws."""
    if level.voltage_v < line.start_threshold_v:
        return True
    power_w = line.idle_power_w
    if level.load_current_a:
        output = step.step.loaded_output(unit)
        power_w += level.load_current_a * output.nominal_v / _EFFICIENCY
    return bridges(line, level.voltage_v, power_w)


def _not_bridged(where: str, line: Input) -> str:
    assert line.bulk_capacitance_f is not None
    return (
        f"{where}: {_show(line.bulk_capacitance_f, 'F')} are empty before the next half-cycle "
        "comes, so that the converter stops and starts again. A healthy unit can trip on "
        "unsettled: check bulk_capacitance, idle_power and start_threshold, leave out levels just "
        "above the threshold, or load the unit less."
    )


def _show(value: float, unit: str) -> str:
    return format_quantity(value, unit, 2)
