"""A quantity against time in bounded room, however many readings come."""

from __future__ import annotations

from array import array

import numpy as np
import numpy.typing as npt

__all__ = ["Trend"]


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

    __slots__ = ("_each", "_room", "_time", "_times", "_value", "_values", "last")

    def __init__(self) -> None:
        self._times, self._values = array("d"), array("d")
        self._each = self._room = 1
        self._time = self._value = 0.0
        #: The last reading.
        self.last = float("nan")

    def add(self, time_s: float, value: float) -> None:
        """Take in a reading."""
        self.last = value
        self._time += time_s
        self._value += value
        self._room -= 1
        if not self._room:
            self._close()

    @property
    def times(self) -> npt.NDArray[np.float64]:
        """Mean time of each block in seconds, shape (n,), n at most :attr:`MOST`."""
        return np.array(self._times)

    @property
    def values(self) -> npt.NDArray[np.float64]:
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
    pairs = np.frombuffer(blocks).reshape(-1, 2)
    return array("d", pairs.mean(axis=1))
