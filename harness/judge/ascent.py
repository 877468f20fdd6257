"""The readings of one start level, taken apart: the way up, the corner, and rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors
from harness.judge.uncertainty import FloatArray
from harness.quantity import format_quantity

#: Fewest readings on the way up that show a slope, and at rest.
_FEWEST, _FEWEST_AT_REST = 3, 5
#: The way up counts from this share of the rise on, and from this voltage: a diode at the input
#: conducts by then, and current flows into the unit. Source: common practice.
_FROM_FRAC, _FROM_V = 0.4, 1.0
#: It ends where this share of the rise, or so many standard deviations, are left.
_CLOSE_FRAC, _CLOSE_DEVIATIONS = 0.01, 5.0
#: Share of what was set that the voltage reaches, or the level says nothing.
_REACHED_FRAC = 0.9
#: Most rows made of the way up, of what follows the corner (readings by themselves), and of the
#: time after that and of rest.
_UP_ROWS, _TAIL_ROWS, _REST_ROWS = 60, 40, 6
#: A median deviation as a standard one, for a normal distribution (textbook).
_OF_MEDIAN = 1.4826
#: Current on the way up that scatters by more than this share is not held by a limit.
_HELD_FRAC = 0.05


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings as the fit takes them, times from the first reading of the level on."""

    times_s: FloatArray  # at the end of the window
    windows_s: FloatArray
    values: FloatArray
    deviations: FloatArray  # standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Ascent:
    """One level that was slow enough to be followed."""

    level: LevelReadings
    corner_s: float  # where the voltage has risen, from the first reading on
    limit_a: float
    slope: float  # V/s
    rest_v: float
    rest_a: float
    up_s: FloatArray  # readings on the way up by themselves, with their voltage
    up_v: FloatArray
    voltage: Rows  # on the way up and at rest, the last third of the level
    current: Rows  # the same
    up_rows_a: int  # so many rows of the current, from the first on, lie on the way up
    tail_a: Rows  # current from the corner on, a reading each
    between_a: Rows  # current between that and rest
    noise_a: float  # standard deviation of a reading of the current

    @property
    def rise_s(self) -> float:
        """Time for which the way up was followed."""
        return self.corner_s - float(self.up_s[0])


class NotFollowed(Exception):
    """A level that says nothing of the charge; its text says why."""


def ascent(level: LevelReadings, before_v: float, errors: SupplyErrors) -> Ascent:
    """Take a level apart; the voltage stood at ``before_v`` when it began.

    Raises:
        NotFollowed: There is no way up to be seen, or the current was not held on it.
    """
    assert errors.voltage is not None
    assert errors.current is not None
    n = level.times_s.size
    third = n // 3
    if third < _FEWEST_AT_REST:
        raise NotFollowed(f"only {n} readings")
    times_s = level.times_s - level.times_s[0]
    rest_v, noise_v = _rest(level.voltage_v[-third:], errors.voltage)
    rest_a, noise_a = _rest(level.current_a[-third:], errors.current)
    if not rest_v >= _REACHED_FRAC * level.set_v:
        raise NotFollowed(
            f"the voltage came to {format_quantity(rest_v, 'V', 3)} of "
            f"{format_quantity(level.set_v, 'V', 3)}"
        )
    rise_v = rest_v - before_v
    to_v = rest_v - max(_CLOSE_FRAC * rise_v, _CLOSE_DEVIATIONS * noise_v)
    end = int(np.argmax(level.voltage_v >= to_v))
    below = np.flatnonzero(level.voltage_v[:end] < max(before_v + _FROM_FRAC * rise_v, _FROM_V))
    begin = int(below[-1]) + 1 if below.size else 0
    if end > n - third:
        raise NotFollowed("held for too short a time once the voltage had risen")
    if end - begin < _FEWEST:
        count = max(end - begin, 0)
        raise NotFollowed(
            f"{count} reading{'' if count == 1 else 's'} while the voltage rose, "
            f"{_FEWEST} are needed: a lower current limit gives more"
        )
    up = slice(begin, end)
    slope, start_v = np.polyfit(times_s[up], level.voltage_v[up], 1)
    if not slope > 0.0:
        raise NotFollowed("the voltage did not rise steadily")
    corner_s = float((rest_v - start_v) / slope)
    left = level.voltage_v[up] - (start_v + slope * times_s[up])
    up_v = float(np.sqrt(left @ left / max(end - begin - 2, 1)))
    # a reading of the current near the corner may be of either side
    near_s = errors.reading_s + errors.window_s
    away = np.abs(times_s - corner_s) > near_s + (errors.window_s if near_s else 0.0)
    held_a = level.current_a[up][away[up]]
    if held_a.size < 2:
        raise NotFollowed("too few readings of the current while the voltage rose")
    limit_a = float(np.median(held_a))
    scatter_a = float(np.std(held_a))
    if scatter_a > max(_CLOSE_DEVIATIONS * noise_a, _HELD_FRAC * abs(limit_a)):
        raise NotFollowed("the current was not constant while the voltage rose")
    window_s = errors.window_s
    deviation_v = max(noise_v, up_v)
    tail = min(end + _TAIL_ROWS, n - third)
    up_a, tail_a, between_a, rest_a_rows = (
        _blocks(
            times_s[part][away[part]], level.current_a[part][away[part]], window_s, most, noise_a
        )
        for part, most in (
            (up, _UP_ROWS),
            (slice(end, tail), _TAIL_ROWS),
            (slice(tail, n - third), _REST_ROWS),
            (slice(n - third, n), _REST_ROWS),
        )
    )
    last = slice(n - third, n)
    rest_v_rows = _blocks(times_s[last], level.voltage_v[last], window_s, _REST_ROWS, noise_v)
    up_v_rows = _blocks(times_s[up], level.voltage_v[up], window_s, _UP_ROWS, deviation_v)
    return Ascent(
        level=level,
        corner_s=corner_s,
        limit_a=limit_a,
        slope=float(slope),
        rest_v=rest_v,
        rest_a=rest_a,
        up_s=times_s[up],
        up_v=level.voltage_v[up],
        voltage=joined(up_v_rows, rest_v_rows),
        current=joined(up_a, rest_a_rows),
        up_rows_a=up_a.times_s.size,
        tail_a=tail_a,
        between_a=between_a,
        noise_a=noise_a,
    )


def _rest(values: FloatArray, error: ReadingError) -> tuple[float, float]:
    """Return the middle of readings at rest, and the standard deviation of one.

    It is no less than a display in whole digits has (JCGM 100:2008, F.2.2.1); where nobody states
    the digit, the smallest change counts as one, and where nothing changed a thousandth of what the
    readings may be off by.
    """
    middle = float(np.median(values))
    steps = np.abs(np.diff(values))
    steps = steps[steps > 0.0]
    digit = error.digit or (float(steps.min()) if steps.size else 0.0)
    spread = float(_OF_MEDIAN * np.median(np.abs(values - middle)))
    least = max(digit / 12**0.5, 1e-3 * (error.offset + error.gain_frac * abs(middle)), 1e-9)
    return float(np.mean(values)), max(spread, least)


def _blocks(
    times_s: FloatArray, values: FloatArray, window_s: float, most: int, deviation: float
) -> Rows:
    """Average readings that follow each other to at most so many rows.

    Source: the mean of n readings is one over all their windows, for readings evenly spaced.
    """
    n = times_s.size
    edges = np.unique(np.linspace(0, n, min(most, n) + 1).astype(int)) if n else np.array([0])
    starts, ends = edges[:-1], edges[1:]
    counts = ends - starts
    if not counts.size:
        empty = np.empty(0)
        return Rows(empty, empty, empty, empty)
    return Rows(
        times_s[ends - 1],
        times_s[ends - 1] - times_s[starts] + window_s,
        np.add.reduceat(values, starts) / counts,
        deviation / np.sqrt(counts),
    )


def joined(*parts: Rows) -> Rows:
    """Return the rows of several parts, one after the other."""

    def all_of(name: str) -> FloatArray:
        joined: FloatArray = np.concatenate([getattr(part, name) for part in parts])
        return joined

    return Rows(*map(all_of, Rows.__slots__))
