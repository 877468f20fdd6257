"""A series of readings: scatter, autocorrelation, a line through it, drift, and its trend."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from harness.judge.propagate import Estimate
from harness.judge.uncertainty import Contribution, effective_number, rectangular

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class LineFit:
    """The least-squares line through n points, y = y_mean + slope (x - x_mean)."""

    slope: float
    se_slope: float  # standard error of the slope; nan for two points
    dof: int  # n - 2
    x_mean: float
    y_mean: float


def fit_line(x: FloatArray, y: FloatArray) -> LineFit:
    """Fit a straight line by least squares, all points with equal weight.

    ``x`` and ``y`` have the shape (n,); ``x`` is taken as free of error.

    Raises:
        ValueError: If the shapes differ, there are fewer than two points, or all x are equal.

    Source: JCGM 100:2008, H.3.2; textbook linear regression, computed about the means so that a
        large offset of x or y costs no digits.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise ValueError(f"x and y must be series of one length, not {xs.shape} and {ys.shape}")
    dof = xs.size - 2
    if dof < 0:
        raise ValueError("a line needs two points")
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    dx, dy = xs - x_mean, ys - y_mean
    sxx = float(dx @ dx)
    if sxx == 0.0:
        raise ValueError("a line needs two different x")
    slope = float(dx @ dy) / sxx
    residual = dy - slope * dx
    # Summed residuals, not syy - slope * sxy: on a clean line that difference is all rounding.
    sd = math.sqrt(float(residual @ residual) / dof) if dof else math.nan
    se_slope = sd / math.sqrt(sxx)
    return LineFit(slope=slope, se_slope=se_slope, dof=dof, x_mean=x_mean, y_mean=y_mean)


def drift(time_s: FloatArray, values: FloatArray, name: str, *, digit: float = 0.0) -> Estimate:
    """Change over a hold, from the slope of a least-squares line: slope times span.

    An offset of the instrument is the same at both ends and does not count; what counts is the
    scatter about the line, and the last ``digit`` of the display: readings that do not change may
    stand for a value that moved by nearly a digit. The readings of one half of the hold may all be
    rounded the same way, so their roundings add; those of the two halves count as independent. By
    simulation, the interval for 95 % then covers at least that for a drift of any size, with a
    digit from one to many times the scatter.

    Neighbouring readings of one instrument are not independent: they count as fewer where the
    residuals agree (:func:`~harness.judge.uncertainty.effective_number`), both for the standard
    error and for its degrees of freedom, of which a line takes two for itself.

    ``time_s``, rising, and ``values`` have the shape (n,); ``name`` says what was read; ``digit``
    is in the unit of the values. Fewer than four readings, or readings at one time, tell nothing:
    nan.

    Source: JCGM 100:2008, H.3.2 (least-squares line, standard error of the slope), 4.2.7
        (correlated observations), F.2.2.1 (resolution of a display) and 5.2.2 (causes in common).
    """
    times, readings = np.asarray(time_s, np.float64), np.asarray(values, np.float64)
    finite = np.isfinite(times).all() and np.isfinite(readings).all()
    if times.size < 4 or not finite or times[-1] <= times[0]:
        return Estimate(value=math.nan)
    line = fit_line(times, readings)
    span_s = float(times[-1] - times[0])
    residuals = readings - line.y_mean - line.slope * (times - line.x_mean)
    independent = effective_number(residuals, 2)
    cause = Contribution(
        name=f"scatter of {name} about its line",
        standard=line.se_slope * span_s * math.sqrt(line.dof / (independent - 2.0)),
        dof=independent - 2.0,
        distribution="t",
    )
    # Each reading bends the line by its distance from the middle over the sum of their squares.
    away_s = np.abs(times - line.x_mean)
    of_half = span_s * 0.5 * float(away_s.sum()) / float(away_s @ away_s)
    roundings = (
        replace(rectangular(f"resolution of {name}, {half} half", digit / 2), sensitivity=sign)
        for half, sign in (("first", -of_half), ("second", of_half))
        if digit > 0.0
    )
    return Estimate(value=line.slope * span_s, contributions=(cause, *roundings))


def least_change(values: FloatArray) -> float:
    """Smallest change from one value to the next that is one; infinite where none ever changed.

    A display changes by whole digits, so its last digit is no larger than this.
    """
    changes = np.abs(np.diff(np.asarray(values, np.float64)))
    return float(changes[changes > 0.0].min(initial=math.inf))


class Trend:
    """Readings against time: each by itself while they are few, means of blocks when they are many.

    All blocks hold the same number of readings, a power of two. So the mean of the blocks is the
    mean of the readings, a line through them is the line through the readings, and their scatter,
    correlation allowed for, gives the error of both. That is the method of batch means: blocks
    longer than what makes neighbouring readings agree tell the error of a mean better than the
    readings do.

    Readings that do not fill the last block are left out: fewer than one in four thousand.

    Source: Law, Simulation Modeling and Analysis, chapter 9 (batch means; from memory).
    """

    #: Most blocks kept; when they are full, two neighbours become one. Even.
    MOST = 8192

    __slots__ = ("_each", "_last", "_room", "_time", "_times", "_value", "_values", "least_change")

    def __init__(self) -> None:
        self._times, self._values = array("d"), array("d")
        self._each = self._room = 1
        self._time = self._value = 0.0
        self._last = math.nan
        #: As of :func:`least_change`, of the readings themselves.
        self.least_change = math.inf

    def add(self, time_s: float, value: float) -> None:
        """Take in a reading."""
        if 0.0 < (change := abs(value - self._last)) < self.least_change:
            self.least_change = change
        self._last = value
        self._time += time_s
        self._value += value
        self._room -= 1
        if not self._room:
            self._close()

    @property
    def times(self) -> FloatArray:
        """Mean time of each block in seconds, shape (n,), n at most :attr:`MOST`."""
        return np.array(self._times)

    @property
    def values(self) -> FloatArray:
        """Mean of each block in the unit of the readings, shape (n,)."""
        return np.array(self._values)

    def _close(self) -> None:
        self._times.append(self._time / self._each)
        self._values.append(self._value / self._each)
        self._time = self._value = 0.0
        if len(self._times) == self.MOST:
            self._times, self._values = map(_halved, (self._times, self._values))
            self._each *= 2
        self._room = self._each


def _halved(blocks: array[float]) -> array[float]:
    return array("d", np.frombuffer(blocks).reshape(-1, 2).mean(axis=1))
