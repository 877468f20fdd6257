"""Readings on their way into the record: do they live, and which of a long hold are kept."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable
from typing import NamedTuple

from harness.record.sink import Values

#: Readings that do not follow power: of them any change since the first one counts.
_SLOW = frozenset({"meter.temperature"})
#: A window of time in which only extremes and the last reading go into the record.
_WINDOW_S = 1.0
#: At most so many windows in a hold: a longer one has longer windows, a day 12 s.
_WINDOWS = 7200
#: Readings before a trip or a disturbance that are recorded in full, of what the window holds.
_IN_FULL = 512


class Row(NamedTuple):
    """Readings taken together, as they go into the record."""

    time_s: float
    level: str
    values: Values
    source: str


class Liveness:
    """Follows every reading of a run by its measure name (``supply.voltage``).

    An instrument whose readings froze goes on answering, well inside every bound. So a check made
    of a hold counts only once each reading it rests on has, after the end of that hold, come with
    another value, in any digit: at the next level, with a change of the load, or after power off.
    """

    def __init__(self) -> None:
        self._last: dict[str, float] = {}
        self._changed_s: dict[str, float] = {}
        self._waiting: dict[str, dict[int, float]] = {}
        self._holds = 0

    def add(self, measure: str, time_s: float, value: float) -> None:
        """Take in a reading, with every digit the instrument gave."""
        before = self._last.get(measure)
        if value == before:
            return
        self._last[measure] = value
        if before is not None:
            self._changed_s[measure] = time_s
        waiting = self._waiting.get(measure)
        if waiting:
            self._waiting[measure] = {hold: last for hold, last in waiting.items() if last == value}

    def end_hold(self, measures: Iterable[str]) -> int:
        """Note where the readings of a hold stand; return the number it is asked for by."""
        self._holds += 1
        for measure in measures:
            if measure not in _SLOW or measure not in self._changed_s:
                self._waiting.setdefault(measure, {})[self._holds] = self._last[measure]
        return self._holds

    def last(self, measure: str) -> float:
        """Return the last value of a reading, or zero."""
        return self._last.get(measure, 0.0)

    def changed_s(self, measure: str) -> float:
        """Return when a reading last changed, on the run's clock; minus infinity: never yet."""
        return self._changed_s.get(measure, -math.inf)

    def standing(self, rests_on: Iterable[tuple[int, str]]) -> tuple[str, ...]:
        """Return which readings of some holds (number, measure) have not moved since, once each."""
        still = [name for hold, name in rests_on if hold in self._waiting.get(name, ())]
        return tuple(dict.fromkeys(still))

    @property
    def waited_for(self) -> tuple[str, ...]:
        """Readings that have not moved yet since the end of a hold, none that power cannot move."""
        return tuple(
            name for name, waiting in self._waiting.items() if waiting and name not in _SLOW
        )


def window_s(hold_s: float) -> float:
    """Length of a window in a hold of so long, in seconds."""
    return max(_WINDOW_S, hold_s / _WINDOWS)


class ThinnedRecord:
    """Passes on the rows of a window that carry an extreme of some quantity, and the last.

    So no extreme is lost, and no gap between rows is longer than a window. What a window holds back
    comes when it ends, or at once when it is asked for. A row ``near`` a bound goes into the record
    by itself.
    """

    def __init__(
        self, write: Callable[[Row], None], window_s: float, near: Callable[[Row], bool]
    ) -> None:
        self._write = write
        self._window_s = window_s
        self._near = near
        self._end_s = -math.inf
        #: Of each quantity in the window the row with the lowest and the highest, and the last.
        self._kept: dict[tuple[str, str, str], Row] = {}
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
        kept, source = self._kept, row.source
        for place, (name, value, _) in enumerate(row.values):
            lowest = kept.setdefault((source, name, "lowest"), row)
            if value < lowest.values[place][1]:
                kept[source, name, "lowest"] = row
            highest = kept.setdefault((source, name, "highest"), row)
            if value > highest.values[place][1]:
                kept[source, name, "highest"] = row
        # quantities of the meter come one by one, those of supply and load together
        kept[source, row.values[0][0], "last"] = row

    def flush(self, *, in_full: bool = False) -> None:
        """Pass on what is held back; with ``in_full`` each of the last readings, too."""
        held = [*self._kept.values(), *(self._recent if in_full else ())]
        self._kept.clear()
        self._recent.clear()
        for row in sorted({id(row): row for row in held}.values(), key=lambda row: row.time_s):
            self._write(row)
