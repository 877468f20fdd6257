"""What would make a figure of the start good enough: another limit, another level.

Only these are tried, by the forecast itself: they are what a profile can choose.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.profile.forecast import Forecast, Start, to_expect
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


def proposal(forecast: Forecast) -> str:
    """Say what would make a figure good enough; empty where it is, or where nothing is found.

    Only limits and levels are tried: they are what a profile can choose.
    """
    start = forecast.of
    if forecast.good_enough or not isinstance(start, Start):
        return ""
    if start.line.kind == "dc" and start.errors.own_capacitance_f is None:
        return (
            "State the supply's output_capacitance in the bench file; 'softwake bench --wiring' "
            "measures it with nothing connected."
        )
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


def _good_share(forecast: Forecast, start: Start) -> str:
    """Say what share of it its uncertainty would be with a start; empty where that is too much."""
    _, expanded, _ = to_expect(start, forecast.check.measure)
    if not expanded <= _GOOD_FRAC * forecast.room:
        return ""
    return format_quantity(expanded / abs(forecast.expected), "%", 2)


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
