"""Have the readings settled? Decided from the readings themselves, never by waiting a fixed time.

The rule, for each series, over a window of the last readings:

1. All readings within one resolution of each other: settled. The instrument shows no movement.
2. Otherwise a least-squares line is put through the window. Its *drift* is the slope times the
   window's length; its *doubt* is the standard error of the slope times the same length times
   Student's t (n - 2 degrees of freedom, 95 % two-sided). Then, in this order:

   - scatter about the line above the noise limit, or readings further apart than eight times that
     limit and the drift: not settled (a loose contact, a hunting loop);
   - drift plus doubt within the resolution: settled;
   - drift above doubt, so that the slope is significant: not settled, it moves;
   - drift plus doubt above the tolerance: not settled, since noise could hide a movement that
     matters. That the slope is not significant proves nothing by itself; the upper confidence
     bound must be small;
   - else settled.

The tolerance is the larger of the resolution and a share of the mean reading; the noise limit is
half of it, where the caller names none. In the window of eight the confidence bound already asks
for that much; in a longer one, where noise averages out, the limit keeps a jump from averaging out
with it. Eight standard deviations (plus and minus four) is what normal noise keeps within.

What no window can see is a process much slower than the window: an exponential of time constant T
that drifts by d over a window of length s still has d / (exp(s / T) - 1) to go. That is no more
than d when the window is at least 0.7 T long, so give ``span_s`` the slowest time constant that
matters.

Source: textbook linear regression (slope, its standard error, t test) with the residual standard
deviation of JCGM 100:2008, H.3.2; a confidence bound inside a tolerance as proof of no movement is
the textbook test of equivalence.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul

import numpy as np
import numpy.typing as npt

from harness.judge.line import fit_line
from harness.judge.uncertainty import coverage_factor
from harness.quantity import format_quantity

__all__ = ["SettleDecision", "Settler", "settled"]

_CONFIDENCE = 0.95

#: Range of the readings, over the noise limit, beyond which it is a jump and no noise.
_PEAK = 8.0

_FILLING = "waiting for more readings"
_NO_NUMBER = "not a number"
_NO_TIME = "all readings carry the same time"
_SCATTERS = "scatters by {amount} about its trend, more than {allowed}"
_JUMPS = "jumps by {amount}, more than {allowed}"
_MOVES = "still moves, by {amount} over the window, more than {allowed}"
_UNSURE = "too noisy to tell: it may move by {amount} over the window, more than {allowed}"

#: What is wrong with a series: a template, what was found, what is allowed (both in its unit).
_Finding = tuple[str, float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class SettleDecision:
    """Whether one series has settled, and on what grounds.

    Attributes:
        settled: True if it has.
        drift: Movement of the fitted line over the window, with its sign, in the unit of the value;
            nan where no line can be fitted.
        drift_bound: Upper confidence bound of the movement, not negative; nan likewise.
        noise: Standard deviation about the line; nan likewise.
        reason: What still moves; empty when settled.
    """

    settled: bool
    drift: float
    drift_bound: float
    noise: float
    reason: str


def settled(
    time_s: npt.NDArray[np.float64],
    value: npt.NDArray[np.float64],
    resolution: float,
    *,
    share: float = 0.0,
    noise_limit: float | None = None,
    unit: str = "1",
) -> SettleDecision:
    """Judge one whole series by the rule of this module.

    Args:
        time_s: Times in seconds, rising, shape (n,).
        value: Readings, shape (n,); fewer than three never settle.
        resolution: Smallest movement that matters, in the unit of the value: the instrument's
            resolution or more.
        share: Movement allowed as a share of the mean reading.
        noise_limit: Largest standard deviation about the line, in the unit of the value; None:
            half the tolerance.
        unit: SI unit of the value, for the reason; ``1`` for a plain number.

    Raises:
        ValueError: If the shapes differ.
    """
    times, values = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if times.shape != values.shape or times.ndim != 1:
        raise ValueError(f"times {times.shape} and values {values.shape} must be of one length")
    if times.size < 3:
        return _no_line(_FILLING)
    if not (np.isfinite(times).all() and np.isfinite(values).all()):
        return _no_line(_NO_NUMBER)
    span_s = float(times[-1] - times[0])
    if span_s <= 0.0:
        return _no_line(_NO_TIME)
    line = fit_line(times, values)
    t = coverage_factor(float(line.dof), _CONFIDENCE)
    finding: _Finding | None = None
    lowest, highest = float(values.min()), float(values.max())
    if not _flat(lowest, highest, resolution):
        tolerance = max(resolution, share * abs(line.y_mean))
        finding = _judge(
            drift=abs(line.slope) * span_s,
            doubt=t * line.se_slope * span_s,
            noise=line.residual_sd,
            spread=highest - lowest,
            resolution=resolution,
            tolerance=tolerance,
            noise_limit=tolerance / 2.0 if noise_limit is None else noise_limit,
        )
    return SettleDecision(
        settled=finding is None,
        drift=line.slope * span_s,
        drift_bound=(abs(line.slope) + t * line.se_slope) * span_s,
        noise=line.residual_sd,
        reason="" if finding is None else _text(finding, unit),
    )


class Settler:
    """Decides reading by reading whether several series, read together, have all settled.

    Adding a reading costs some microseconds: the window is small, and a window that ``span_s``
    makes longer is judged again only when an eighth or so of it (one part in ``points``) is new.

    Args:
        resolution: For each series the smallest movement that matters, in its unit: the
            instrument's resolution, or more where its noise or accuracy is coarser.
        points: Readings in the window, at least 4.
        span_s: Time the window covers at least, in seconds; it then holds more readings.
        share: Movement allowed as a share of the mean reading.
        noise_limit: For each series the largest standard deviation about the line, in its unit;
            None: half the tolerance.
        names: What messages call the series; left out: ``reading 1``, ``reading 2`` …
        units: For each series its SI unit, for messages; left out: plain numbers.

    Raises:
        ValueError: If the arguments do not fit each other.
    """

    def __init__(
        self,
        *,
        resolution: tuple[float, ...],
        points: int = 8,
        span_s: float = 0.0,
        share: float = 0.001,
        noise_limit: tuple[float, ...] | None = None,
        names: tuple[str, ...] = (),
        units: tuple[str, ...] = (),
    ) -> None:
        channels = len(resolution)
        if not channels or points < 4:
            raise ValueError("settling needs at least one series and a window of four readings")
        for what in (noise_limit, names, units):
            if what and len(what) != channels:
                raise ValueError(f"{channels} series, but {len(what)} entries: {what}")
        self._resolution = resolution
        self._noise_limit = noise_limit
        self._names = names or tuple(f"reading {number + 1}" for number in range(channels))
        self._units = units or ("1",) * channels
        self._points = points
        self._span_s = span_s
        self._share = share
        # A longer window has a smaller t, so the one of the shortest errs towards waiting.
        self._t = coverage_factor(float(points - 2), _CONFIDENCE)
        self._times: deque[float] = deque()
        self._series: tuple[deque[float], ...] = tuple(deque() for _ in resolution)
        self.reset()

    @property
    def reason(self) -> str:
        """What keeps it from being settled, or empty when it is."""
        if self._finding is None:
            return ""
        if self._channel is None:
            return _text(self._finding, "1")
        text = _text(self._finding, self._units[self._channel])
        return f"{self._names[self._channel]} {text}"

    @property
    def means(self) -> tuple[float, ...]:
        """Mean of each series over the window, in its unit; nan before the first reading."""
        count = len(self._times) or math.nan
        return tuple(sum(series) / count for series in self._series)

    def reset(self) -> None:
        """Forget every reading: something was set anew."""
        self._times.clear()
        for series in self._series:
            series.clear()
        self._fresh = 0
        self._note((_FILLING, 0.0, 0.0), None)

    def add(self, time_s: float, values: Sequence[float]) -> bool:
        """Take one reading of every series.

        A value that is no number empties the window: what came before it proves nothing.

        Args:
            time_s: Time in seconds, on any clock that does not run backwards.
            values: One value a series, in its unit.

        Returns:
            True once all series have settled.

        Raises:
            ValueError: If time runs backwards or the number of values is wrong.
        """
        times = self._times
        if times and time_s < times[-1]:
            raise ValueError(f"time ran backwards, from {times[-1]} s to {time_s} s")
        if len(values) != len(self._series):
            raise ValueError(f"{len(self._series)} series, but {len(values)} values")
        times.append(time_s)
        for channel, value in enumerate(values):
            if not math.isfinite(value):
                self.reset()
                self._note((_NO_NUMBER, 0.0, 0.0), channel)
                return False
            self._series[channel].append(value)
        count = len(times)
        oldest_s = time_s - self._span_s
        while count > self._points and times[1] <= oldest_s:
            times.popleft()
            for series in self._series:
                series.popleft()
            count -= 1
        if count < self._points or times[0] > oldest_s:
            return False
        self._fresh += 1
        if self._fresh * self._points >= count:
            self._fresh = 0
            self._evaluate(count)
        return self._finding is None

    def _evaluate(self, count: int) -> None:
        # Closed-form sums about the means over plain floats: for a window this small that takes a
        # tenth of the time of numpy calls.
        times = self._times
        span_s = times[-1] - times[0]
        if span_s <= 0.0:
            self._note((_NO_TIME, 0.0, 0.0), None)
            return
        dt: list[float] = []
        sxx = 0.0
        for channel, series in enumerate(self._series):
            resolution = self._resolution[channel]
            lowest, highest = min(series), max(series)
            if _flat(lowest, highest, resolution):
                continue
            if not dt:
                middle_s = sum(times) / count
                dt = [time_s - middle_s for time_s in times]
                sxx = sum(map(mul, dt, dt))
            mean = sum(series) / count
            dy = [value - mean for value in series]
            slope = sum(map(mul, dt, dy)) / sxx
            # Never below nought: on a clean line the difference is all rounding.
            residual = max(sum(map(mul, dy, dy)) - slope * slope * sxx, 0.0)
            noise = math.sqrt(residual / (count - 2))
            tolerance = max(resolution, self._share * abs(mean))
            finding = _judge(
                drift=abs(slope) * span_s,
                doubt=self._t * noise / math.sqrt(sxx) * span_s,
                noise=noise,
                spread=highest - lowest,
                resolution=resolution,
                tolerance=tolerance,
                noise_limit=self._noise_limit[channel] if self._noise_limit else tolerance / 2.0,
            )
            if finding is not None:
                self._note(finding, channel)
                return
        self._note(None, None)

    def _note(self, finding: _Finding | None, channel: int | None) -> None:
        self._finding = finding
        self._channel = channel


def _flat(lowest: float, highest: float, resolution: float) -> bool:
    """All readings within one resolution, with the rounding of decimal text forgiven."""
    return highest - lowest <= resolution * (1.0 + 1e-6) + 1e-14 * (abs(highest) + abs(lowest))


def _judge(
    *,
    drift: float,
    doubt: float,
    noise: float,
    spread: float,
    resolution: float,
    tolerance: float,
    noise_limit: float,
) -> _Finding | None:
    """The second part of the rule; None means settled."""
    if noise > noise_limit:
        return _SCATTERS, noise, noise_limit
    if spread - drift > _PEAK * noise_limit:
        return _JUMPS, spread - drift, _PEAK * noise_limit
    if drift + doubt <= resolution:
        return None
    if drift > doubt:
        return _MOVES, drift, resolution
    if drift + doubt > tolerance:
        return _UNSURE, drift + doubt, tolerance
    return None


def _text(finding: _Finding, unit: str) -> str:
    template, amount, allowed = finding
    return template.format(
        amount=format_quantity(amount, unit, 3), allowed=format_quantity(allowed, unit, 3)
    )


def _no_line(reason: str) -> SettleDecision:
    nan = math.nan
    return SettleDecision(settled=False, drift=nan, drift_bound=nan, noise=nan, reason=reason)
