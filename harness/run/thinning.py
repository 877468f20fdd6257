"""Thins the record of a long hold; what is judged, and what may cut power, is never thinned."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from harness.record.sink import Values

__all__ = ["Row", "ThinnedRecord", "window_s"]

#: A window of time in which only extremes and the last reading go into the record.
_WINDOW_S = 1.0
#: At most so many windows in a hold: a longer one has longer windows, a day 12 s.
_WINDOWS = 7200
#: Readings before a trip or a disturbance that are recorded in full, of what the window holds.
_IN_FULL = 512


def window_s(hold_s: float) -> float:
    """Length of a window in a hold of so long, in seconds."""
    return max(_WINDOW_S, hold_s / _WINDOWS)


class Row(NamedTuple):
    """Readings taken together, as they go into the record."""

    time_s: float
    level: str
    values: Values
    source: str


class _Extremes:
    """What one source, or one quantity of the meter, has shown in a window."""

    __slots__ = ("_bounds", "_rows", "last")

    def __init__(self, row: Row) -> None:
        self.last = row
        self._bounds = [bound for _, value, _ in row.values for bound in (value, value)]
        self._rows = [row] * len(self._bounds)

    def add(self, row: Row) -> None:
        self.last = row
        bounds = self._bounds
        place = 0
        for _, value, _ in row.values:
            if value < bounds[place]:
                bounds[place], self._rows[place] = value, row
            if value > bounds[place + 1]:
                bounds[place + 1], self._rows[place + 1] = value, row
            place += 2

    def kept(self) -> list[Row]:
        return [*self._rows, self.last]


class ThinnedRecord:
    """Passes on the rows of a window that carry an extreme of some quantity, and the last.

    So no extreme is lost, and no gap between rows is longer than a window. What a window holds back
    comes when it ends, or at once when it is asked for.

    Args:
        write: Takes in what goes into the record, in the order of time.
        window_s: Length of a window, in seconds.
        near: Whether a row is so close to a bound that it goes into the record by itself.
    """

    def __init__(
        self, write: Callable[[Row], None], window_s: float, near: Callable[[Row], bool]
    ) -> None:
        self._write = write
        self._window_s = window_s
        self._near = near
        self._end_s = -math.inf
        self._extremes: dict[tuple[str, str], _Extremes] = {}
        self._recent: deque[Row] = deque(maxlen=_IN_FULL)

    def add(self, row: Row) -> None:
        """Take in a row."""
        if row.time_s >= self._end_s:
            self.flush()
            self._end_s = row.time_s + self._window_s
        if self._near(row):
            self.flush()
            self._write(row)
            return
        self._recent.append(row)
        # quantities of the meter come one by one, those of supply and load together
        key = row.source, row.values[0][0]
        extremes = self._extremes.get(key)
        if extremes is None:
            self._extremes[key] = _Extremes(row)
        else:
            extremes.add(row)

    def flush(self, *, in_full: bool = False) -> None:
        """Pass on what is held back.

        Args:
            in_full: Whether the last readings go with it, each of them.
        """
        held = [row for each in self._extremes.values() for row in each.kept()]
        if in_full:
            held += self._recent
        self._extremes.clear()
        self._recent.clear()
        for row in sorted({id(row): row for row in held}.values(), key=lambda row: row.time_s):
            self._write(row)
