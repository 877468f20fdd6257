"""What would make a figure of the start good enough: another limit, another level.

Only these are tried, by the forecast itself: they are what a profile can choose.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from harness.judge.start_curve import SERIES_RESISTANCE, TIME_CONSTANT
from harness.judge.start_draw import BEGIN_VOLTAGE, ENERGY
from harness.judge.start_rest import LEAKAGE_CURRENT
from harness.profile.forecast import Forecast, Start, room_of, to_expect
from harness.profile.whole_start import WholeStart
from harness.quantity import format_quantity

#: A figure is good enough for a proposal where its uncertainty takes at most this share of the
#: distance to the limit: a unit halfway to it can then still be told.
_GOOD_FRAC = 0.5
#: Fewest readings that a proposed level gives, enough to see whether its curve is the circuit's;
#: and the most: beyond, more of them tell no more.
_WANTED, _PATIENT = 15, 250
#: Limits that are tried, by decade, and the least of them: below, no bench supply holds one.
_STEPS, _LEAST_A = (7.0, 5.0, 3.0, 2.0, 1.5, 1.0), 1e-3
#: Lowest levels that are tried, as shares of nominal, kept below this share of the threshold.
_LEVELS_FRAC, _BELOW_FRAC = (0.15, 0.20, 0.25), 0.9
#: Levels that are tried beside those of an AC start, as shares of nominal, from the highest on: the
#: energy of a capacitor goes with the square. They keep so far above the level before.
_MORE_FRAC, _ABOVE_FRAC = tuple(0.05 * step for step in range(16, 1, -1)), 1.15

#: Most levels that are tried between two; holds that are tried, the longest first; and times of a
#: reading.
_MOST_CLOSER = 6
_DWELLS_S = (1.0, 0.7, 0.5, 0.3, 0.2, 0.1)
_FASTER_S = (2e-3, 1e-3, 5e-4, 2e-4, 1e-4, 5e-5, 2e-5, 1e-5)


def proposal(forecast: Forecast) -> str:
    """Say what would make a figure good enough; empty where it is, or its reason says it already.

    Limits, levels and holds are tried: they are what a profile can choose. Of a series resistance,
    which none of them shows, how fast a supply would have to read.
    """
    start = forecast.of
    if forecast.good_enough:
        return ""
    found = ""
    if isinstance(start, Start):
        found = _of_capacitor(forecast, start)
    elif isinstance(start, WholeStart):
        found = _of_whole(forecast, start)
    if found or not math.isfinite(forecast.expanded):
        return found
    away = format_quantity(forecast.expanded / _GOOD_FRAC, forecast.check.unit, 2)
    return f"Nothing a profile can choose makes it so; a limit that is {away} away could be judged."


def _of_capacitor(forecast: Forecast, start: Start) -> str:
    """Propose a limit, a level, or a faster supply for what the levels below the threshold tell."""
    if start.line.kind == "dc" and start.errors.own_capacitance_f is None:
        return (
            "State the supply's output_capacitance in the bench file; 'softwake bench --wiring' "
            "measures it with nothing connected."
        )
    if forecast.check.measure == LEAKAGE_CURRENT:  # hangs on neither limit nor level
        return ""
    if forecast.check.measure in (SERIES_RESISTANCE, TIME_CONSTANT):
        return _faster_supply(forecast, start)
    first = start.levels[0]
    for level_frac in (None, *_levels_frac(start)):
        for limit_a in _limits_a(first.current_limit_a):
            slower = start.slower(limit_a, level_frac)
            if slower.readings < _WANTED:
                continue
            if slower.readings > _PATIENT:
                break
            share = _good_share(forecast, slower)
            if not share:
                continue
            level = "" if level_frac is None else f"{format_quantity(level_frac, '%')} first and "
            return (
                f"At {format_quantity(first.current_limit_a, 'A')} the {first.label} level is "
                f"over after {_readings(start.readings)}; {level}"
                f'slow_limit = "{format_quantity(limit_a, "A")}" gives '
                f"{_readings(slower.readings)} and U = {share}."
            )
    return _one_more_level(forecast, start) if start.line.kind == "ac" else ""


def _of_whole(forecast: Forecast, start: WholeStart) -> str:
    """Propose closer levels for where a unit begins, or shorter holds for the energy it takes."""
    if forecast.check.measure == BEGIN_VOLTAGE:
        return _closer_levels(forecast, start)
    return _shorter_hold(forecast, start) if forecast.check.measure == ENERGY else ""


def _closer_levels(forecast: Forecast, start: WholeStart) -> str:
    """Propose levels between the two that a converter begins between; empty where none helps."""
    line, check = start.line, forecast.check
    below = [level for level in start.levels if level.voltage_v < line.start_threshold_v]
    above = start.levels[len(below) :]
    if not below or not above:
        return ""
    low_v, high_v = below[-1].voltage_v, above[0].voltage_v
    for count in range(1, _MOST_CLOSER + 1):
        fracs = np.linspace(low_v, high_v, count + 2)[1:-1] / line.nominal_v
        labels = [format_quantity(round(float(frac), 2), "%") for frac in fracs]
        between = [
            replace(above[0], voltage_v=round(float(frac), 2) * line.nominal_v, label=label)
            for frac, label in zip(fracs, labels, strict=True)
        ]
        closer = replace(start, levels=(*below, *between, *above))
        value, expanded, _ = to_expect(closer, check.measure)
        if expanded <= _GOOD_FRAC * room_of(check, value):
            listed = ", ".join(f'"{label}"' for label in labels)
            more = "One more level" if count == 1 else "More levels"
            gives = "gives" if count == 1 else "give"
            return f"{more}, {listed}, {gives} U = {format_quantity(expanded, check.unit, 2)}."
    return ""


def _shorter_hold(forecast: Forecast, start: WholeStart) -> str:
    """Propose a shorter hold: an offset of the readings counts for as long as they are read.

    The unit takes less in it, so that the limit has to come closer by as much.
    """
    check, longest_s = forecast.check, max(level.dwell_s for level in start.levels)
    for dwell_s in _DWELLS_S:
        levels = tuple(
            replace(level, dwell_s=min(dwell_s, level.dwell_s)) for level in start.levels
        )
        value, expanded, _ = to_expect(replace(start, levels=levels), check.measure)
        if dwell_s >= longest_s or not expanded <= _GOOD_FRAC * forecast.room:
            continue
        return (
            f'With dwell = "{format_quantity(dwell_s, "s")}" the start takes '
            f"{format_quantity(value, check.unit, 3)}, known to "
            f"± {format_quantity(expanded, check.unit, 2)}; its limit is to come closer by as much."
        )
    return ""


def _faster_supply(forecast: Forecast, start: Start) -> str:
    """Say how fast a supply would have to read, and what tells the resistance without power."""
    tester = ""
    if forecast.check.measure == SERIES_RESISTANCE:
        tester = (
            " A tester of series resistance tells it, in circuit and before power, as a check "
            "operator.value of a cold step."
        )
    for reading_s in _FASTER_S:
        if reading_s >= start.errors.reading_s:
            continue
        window_s = min(start.errors.window_s, reading_s)
        errors = replace(start.errors, reading_s=reading_s, window_s=window_s)
        share = _good_share(forecast, replace(start, errors=errors))
        if share:
            apart = format_quantity(reading_s, "s")
            return f"A supply read each {apart} would know it to {share}.{tester}"
    return tester.strip()


def _good_share(forecast: Forecast, start: Start) -> str:
    """Say what share of it its uncertainty would be with a start; empty where that is too much."""
    value, expanded, _ = to_expect(start, forecast.check.measure)
    expected = value if math.isnan(forecast.expected) else forecast.expected
    if not expanded <= _GOOD_FRAC * room_of(forecast.check, expected):
        return ""
    return format_quantity(expanded / abs(expected), "%", 2)


def _one_more_level(forecast: Forecast, start: Start) -> str:
    """Propose one more level of an AC start, below the threshold; empty where none helps."""
    line, highest = start.line, start.levels[-1]
    for level_frac in _MORE_FRAC:
        volts = level_frac * line.nominal_v
        if not _ABOVE_FRAC * highest.voltage_v <= volts <= _BELOW_FRAC * line.start_threshold_v:
            continue
        for limit_a in (highest.current_limit_a, *_limits_a(highest.current_limit_a)):
            more = start.slower(limit_a, level_frac)
            if more.readings > _PATIENT:
                break
            share = _good_share(forecast, more)
            if not share:
                continue
            slow = f' and slow_limit = "{format_quantity(limit_a, "A")}"'
            return (
                f"One more level, {format_quantity(level_frac, '%')}, still below the threshold,"
                f"{'' if limit_a == highest.current_limit_a else slow} gives U = {share}."
            )
    return ""


def _readings(count: int) -> str:
    return "no reading" if not count else f"{count} reading{'' if count == 1 else 's'}"


def _levels_frac(start: Start) -> Iterator[float]:
    """Yield higher lowest levels that lie below the threshold."""
    line = start.line
    for level_frac in _LEVELS_FRAC if line.kind == "dc" else ():
        volts = level_frac * line.nominal_v
        if start.levels[0].voltage_v < volts <= _BELOW_FRAC * line.start_threshold_v:
            yield level_frac


def _limits_a(limit_a: float) -> Iterator[float]:
    """Yield round limits below one, downwards: the quickest start that tells enough is the best."""
    decade = 10.0 ** math.floor(math.log10(limit_a))
    while decade * _STEPS[0] >= _LEAST_A:
        for step in _STEPS:
            if _LEAST_A * (1 - 1e-9) <= decade * step < limit_a * (1 - 1e-9):
                yield float(f"{decade * step:.3g}")
        decade /= 10.0
