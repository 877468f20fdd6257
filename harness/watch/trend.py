"""Voltage and current of a run for its page: small, however long the run (pure)."""

from __future__ import annotations

import math
from typing import Any

from harness.record.csv_text import printable
from harness.record.events import EventKind

#: Points kept; where there are more, each two become one.
MOST = 1500
#: Time that a point stands for at first.
_FIRST_S = 0.05
#: So many changes of step or level are drawn; no plan of this program has as many.
_MOST_MARKS = 2000
#: Significant figures of what is drawn.
_FIGURES = 5

#: Begin, lowest and highest voltage, lowest and highest current; what was not read is None.
Point = list[float | None]


class Trend:
    """Follows the supply's readings; whoever has seen some of it asks for the rest.

    ``generation`` counts how often points were joined: what was seen before is then no longer part
    of it.
    """

    def __init__(self) -> None:
        self.points: list[Point] = []
        self.generation = 0
        self.marks: list[dict[str, Any]] = []  # steps, levels and the trip, by time
        self._each_s = _FIRST_S
        self._parted = False
        self._fed_by = "supply"  # what reads the feed while power is on

    def reading(self, time_s: float, source: str, name: str, value: float, unit: str) -> None:
        """Take in one row of ``readings.csv``."""
        del unit
        place = {"voltage": 1, "current": 3}.get(name)
        if source != self._fed_by or place is None or not math.isfinite(value):
            return
        value = float(f"{value:.{_FIGURES}g}")
        last = self.points[-1] if self.points else None
        if last is None or self._parted or time_s - (last[0] or 0.0) >= self._each_s:
            if self._parted and last is not None:
                self.points.append([round(time_s, 3), None, None, None, None])
            self._parted = False
            last = [round(time_s, 3), None, None, None, None]
            self.points.append(last)
        low, high = last[place], last[place + 1]
        last[place] = value if low is None else min(low, value)
        last[place + 1] = value if high is None else max(high, value)
        if len(self.points) > MOST:
            self._join()

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in one row of ``events.csv``."""
        if kind == EventKind.PLAN and '"fed_by": "power_meter"' in detail:
            self._fed_by = "power_meter"
        if kind in {EventKind.POWER_OFF, EventKind.SWITCHING_ON}:
            self._parted = True
        if kind in {EventKind.STEP, EventKind.LEVEL, EventKind.TRIP, EventKind.POWER_OFF}:
            name = step if kind == EventKind.STEP else detail.rpartition(": ")[0]
            mark = {"at": round(time_s, 3), "kind": str(kind), "name": printable(name)}
            if len(self.marks) < _MOST_MARKS:
                self.marks.append(mark)

    def _join(self) -> None:
        """Make one point of each two; a gap stays a gap."""
        joined: list[Point] = []
        for first, second in zip(self.points[::2], self.points[1::2], strict=False):
            if first[1] is None or second[1] is None:
                joined += [first, second]
                continue
            point: Point = [first[0]]
            for place in (1, 3):
                lows = [each[place] for each in (first, second)]
                highs = [each[place + 1] for each in (first, second)]
                point += [
                    min((low for low in lows if low is not None), default=None),
                    max((high for high in highs if high is not None), default=None),
                ]
            joined.append(point)
        if len(self.points) % 2:
            joined.append(self.points[-1])
        if len(joined) > MOST * 3 // 4:  # more gaps than points: the oldest go
            del joined[: len(joined) - MOST // 2]
        self.points = joined
        self._each_s *= 2
        self.generation += 1
