"""What a bench will be able to tell of a unit by its start, said before power.

Readings that a healthy unit of the nameplate would give are weighed exactly as those of a run will
be; the uncertainty that comes out is the one to expect. Where it is too coarse for the limits of a
check, :mod:`harness.profile.proposal` looks for another limit or level in the same way.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Protocol

from harness.judge.start_curve import StartFigures, SupplyErrors, all_told
from harness.judge.start_draw import BEGIN_VOLTAGE, ENERGY, SWITCH_ON_CURRENT
from harness.judge.start_rest import IDLE_POWER, weigh_leak
from harness.judge.uncertainty import combine
from harness.profile.ac_readings import ac_fill_s, ac_readings, ac_unit
from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.level import Level
from harness.profile.measures import PEAK
from harness.profile.nameplate_figures import nameplate_figures
from harness.profile.start_readings import (
    below_threshold,
    dc_readings,
    reading_error,
    rise_s,
    supply_errors,
)
from harness.profile.untold import untold
from harness.profile.whole_start import WholeStart, peak_a
from harness.profile.wiring import Operations
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput, Input

#: Time that one pair of readings takes where the bench file does not say: of a DC supply, and of an
#: AC source beyond its window. Source: 2 ms to 20 ms on a socket, common practice; what ``softwake
#: new`` asks with.
_DC_READING_S, _BEYOND_WINDOW_S = 0.010, 0.002
#: The worst of so many draws of noise is what to expect.
_DRAWS = 3
#: What figures of the start are called in a check; and those of the start as a whole.
_START = "start."
_OF_WHOLE = frozenset({BEGIN_VOLTAGE, ENERGY, SWITCH_ON_CURRENT, IDLE_POWER})


@dataclass(frozen=True, slots=True)
class Start:
    """A start as it is weighed: all that the figures depend on."""

    levels: tuple[Level, ...]
    line: Input
    errors: SupplyErrors
    pace_stated: bool = False

    def slower(self, limit_a: float, level_frac: float | None) -> Start:
        """Return it with another slow limit, and another lowest level; for AC one level more."""
        if isinstance(self.line, AcInput):  # each gain between two levels is weighed
            levels = [replace(level, current_limit_a=limit_a) for level in self.levels]
            if level_frac is not None:
                volts, label = level_frac * self.line.nominal_v, format_quantity(level_frac, "%")
                levels.append(replace(levels[-1], voltage_v=volts, label=label))
            return replace(self, levels=tuple(levels))
        first, *others = self.levels
        changed = replace(first, current_limit_a=limit_a)
        if level_frac is not None:
            volts = level_frac * self.line.nominal_v
            changed = replace(changed, voltage_v=volts, label=format_quantity(level_frac, "%"))
            others = [level for level in others if level.voltage_v > volts]
        return replace(self, levels=(changed, *others))

    @property
    def assumed_pace(self) -> tuple[str, float] | None:
        """Return whose readings are taken to be so far apart; None where the bench file says."""
        return None if self.pace_stated else ("supply", self.errors.reading_s)

    def weighed(self, seed: int) -> StartFigures:
        """Return what comes of one draw of noise."""
        return _weighed(self, seed)

    @property
    def readings(self) -> int:
        """Readings that fall into filling to the lowest level."""
        if isinstance(self.line, AcInput):
            return int(ac_fill_s(self.levels[0], 0.0, self.line) / self.errors.reading_s)
        total_f = (self.line.bulk_capacitance_f or 0.0) + (self.errors.own_capacitance_f or 0.0)
        return int(rise_s(self.levels[0], 0.0, total_f) / self.errors.reading_s)


class Weighing(Protocol):
    """What a figure is expected of: synthesised readings, weighed as those of the run will be."""

    @property
    def assumed_pace(self) -> tuple[str, float] | None:
        """Return whose readings are taken to be so far apart; None where the bench file says."""

    def weighed(self, seed: int) -> StartFigures:
        """Return what comes of one draw of noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What the check of a figure of the unit can be expected to know."""

    check: Check
    step: int  # its number
    step_name: str
    expected: float  # the nameplate's, or what its circuit gives; not-a-number where neither does
    expanded: float  # uncertainty U to expect; not-a-number where there will be no figure
    #: Distance from what is expected to the nearest limit; infinite without one.
    room: float
    why_not: str  # why there will be no figure; empty where there will be one
    of: Weighing  # start or discharge, that it is expected of

    @property
    def good_enough(self) -> bool:
        """Whether a unit as its nameplate says would pass: U is less than the distance."""
        return self.expanded < self.room

    @property
    def text(self) -> str:
        """Say it in a sentence or two."""
        name, unit = self.check.name, self.check.unit
        if math.isnan(self.expanded):
            told = f"{name}: there will be no figure: {self.why_not}."
        else:
            known = f"will be known to ± {format_quantity(self.expanded, unit, 2)}"
            if self.expanded < abs(self.expected):
                share = format_quantity(self.expanded / abs(self.expected), "%", 2)
                told = f"{name}: {format_quantity(self.expected, unit, 3)} {known} ({share})"
            else:  # as good as none is expected, such as a leak
                told = f"{name}: it {known}"
            if self.room <= 0.0:
                beyond = format_quantity(-self.room, unit, 2)
                told += f", TOO COARSE for a limit that it is {beyond} beyond"
            elif math.isfinite(self.room):
                enough = "good enough" if self.good_enough else "TOO COARSE"
                room = format_quantity(self.room, unit, 2)
                told += f", {enough} for a limit that is {room} away"
            told += "."
        return told


@dataclass(frozen=True, slots=True)
class _Untold:
    """A figure that no start of the unit tells on this bench."""

    measure: str
    why: str

    @property
    def assumed_pace(self) -> None:
        """Return None: nothing is read."""
        return

    def weighed(self, _seed: int) -> StartFigures:
        """Return why there is none."""
        return StartFigures(why_not={self.measure: self.why})


def forecasts(
    checks: Iterable[tuple[int, str, Check]],
    levels: Sequence[Level],
    line: Input,
    bench: BenchFile | None,
    *,
    window_s: float = 0.0,
    operations: Operations | None = None,
) -> Iterator[Forecast]:
    """Yield what each check of a figure of the start can be expected to know on a bench.

    ``checks`` have number and name of their step, ``levels`` are those of the start, and the
    supply's readings are averaged over ``window_s``. ``operations`` is what the dialects can do;
    without it they can do everything. Nothing is forecast without a bench, of a source that is set
    by hand, or of a figure that is not weighed here; and what rests on the charge, only for a
    nameplate with a bulk capacitance.
    """
    if bench is None or bench.gives != line.kind:
        return
    supply = bench.settable
    if supply is None:  # a hand's way up tells none
        return
    holds_peak = operations is None or f"measure_{PEAK}" in operations.get("supply", ())
    asleep = below_threshold(levels, line)

    def errors(levels: Sequence[Level]) -> SupplyErrors:
        return supply_errors(
            supply,
            most_v=max(level.voltage_v for level in levels),
            most_a=max(level.current_limit_a for level in levels),
            reading_s=supply.reading_time_s or _usual_reading_s(line, window_s),
            window_s=window_s,
        )

    stated = nameplate_figures(line)
    for number, name, check in checks:
        measure = check.measure
        why = untold(measure, line, holds_peak=holds_peak)
        weighing: Weighing
        if why:
            weighing = _Untold(measure, why)
        elif line.bulk_capacitance_f is None and measure != SWITCH_ON_CURRENT:
            continue
        elif measure in _OF_WHOLE:
            weighing = WholeStart(
                levels=tuple(levels),
                line=line,
                errors=errors(levels),
                peak=reading_error(supply, PEAK, peak_a(levels, line)),
                # between two levels, at rest, and under a clamp, the pace does not matter
                pace_stated=measure != ENERGY or supply.reading_time_s is not None,
            )
        elif measure.startswith(_START) and asleep:
            weighing = Start(asleep, line, errors(asleep), supply.reading_time_s is not None)
            if not _tells(weighing, measure):
                continue
        else:
            continue
        # where a converter begins is told between two levels, wherever the nameplate has it
        expected = None if measure == BEGIN_VOLTAGE else stated.get(measure)
        yield forecast_of(number, name, check, weighing, expected)


def _usual_reading_s(line: Input, window_s: float) -> float:
    return _DC_READING_S if line.kind == "dc" else window_s + _BEYOND_WINDOW_S


def forecast_of(
    number: int, name: str, check: Check, weighing: Weighing, stated: float | None
) -> Forecast:
    """Return what one check can be expected to know; ``stated`` is the nameplate's figure."""
    value, expanded, why_not = to_expect(weighing, check.measure, check.level)
    expected = value if stated is None else stated
    return Forecast(
        check=check,
        step=number,
        step_name=name,
        expected=expected,
        expanded=expanded,
        room=room_of(check, expected),
        why_not=why_not,
        of=weighing,
    )


def _tells(start: Start, measure: str) -> bool:
    """Whether the weighing has something to say of a figure, be it why there will be none."""
    weighed = start.weighed(1)
    return measure in weighed.estimates or measure in weighed.why_not


def room_of(check: Check, expected: float) -> float:
    """Return the distance of a value from the nearest limit; below zero where it is beyond one."""
    low = math.inf if check.low is None else expected - check.low
    high = math.inf if check.high is None else check.high - expected
    return min(low, high)


def to_expect(weighing: Weighing, measure: str, level: str = "") -> tuple[float, float, str]:
    """Return value and uncertainty to expect of a figure, or why there will be none.

    With a ``level`` it is what that one tells.
    """
    worst = (math.nan, -math.inf, "")
    for seed in range(1, _DRAWS + 1):
        estimate = weighing.weighed(seed).told(measure, level)
        if estimate.why_not:
            return math.nan, math.nan, estimate.why_not
        expanded = combine(estimate.contributions).expanded
        if expanded > worst[1]:
            worst = (estimate.value, expanded, "")
    return worst


@lru_cache(maxsize=256)
def _weighed(start: Start, seed: int) -> StartFigures:
    # loads scipy: only where a check asks for it
    from harness.judge.start_charge import weigh_dc
    from harness.judge.start_energy import weigh_ac

    levels, line, errors = start.levels, start.line, start.errors
    if isinstance(line, AcInput):
        unit = ac_unit(line, levels[0].frequency_hz or line.frequency_hz[0])
        read = ac_readings(levels, line, errors, seed=seed)
        return all_told(weigh_ac(read, errors, unit), weigh_leak(read, errors, unit))
    read = dc_readings(levels, line, errors, seed=seed)
    weighed = weigh_dc(read, errors, least_over_own=line.least_over_own)
    return all_told(weighed, weigh_leak(read, errors))
