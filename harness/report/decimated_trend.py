"""What the report needs of a run's readings and events: small, however long the run."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from harness.record.events import EventKind
from harness.record.figures import Figures, KnownFigures, read_figures, read_known
from harness.record.sink import Values
from harness.report.axes import FloatArray
from harness.report.figures import figures_summary

#: Events shown from the beginning and from the end of a run.
_SHOWN = 30
#: Longest time between two readings of one line; none that follow each other are so far apart.
_PAUSE_S = 10.0
#: Events that end every line: what comes after them is another measurement, or power is off.
_PARTING = frozenset({EventKind.POWER_ON, EventKind.POWER_OFF, EventKind.METER, EventKind.LOAD})
#: What is drawn, by source and quantity, in this order: title, unit, and bound of the envelope.
DRAWN = {
    ("supply", "voltage"): ("Supply voltage", "V", "voltage_v"),
    ("supply", "current"): ("Supply current", "A", "current_a"),
    ("power_meter", "voltage"): ("Power meter, voltage at the input", "V", "voltage_v"),
    ("power_meter", "current"): ("Power meter, current at the input", "A", "current_a"),
    ("meter", "voltage_dc"): ("Meter, DC voltage", "V", ""),
    ("meter", "current_dc"): ("Meter, DC current", "A", ""),
}


class Event(NamedTuple):
    """One event, as ``events.csv`` has it."""

    time_s: float
    kind: str
    step: str
    detail: str


class Told(NamedTuple):
    """What a step told of the unit, and the readings so far: times and values of each quantity."""

    figures: Figures
    readings: dict[tuple[str, str], tuple[FloatArray, FloatArray]]


@dataclass(slots=True)
class Band:
    """The time a step took, from its first reading to its last."""

    step: str
    begin_s: float
    end_s: float


class Trace:
    """One quantity against time, thinned by lowest and highest so that no spike is lost."""

    #: Buckets kept; as many readings go into each as that takes, a power of two.
    MOST = 4096

    def __init__(self) -> None:
        self.times_s: list[float] = []  #: of the first reading of each bucket
        self.lows: list[float] = []
        self.highs: list[float] = []
        self.begins: list[int] = []  #: buckets that nothing joins to the one before
        self._each = 1
        self._room = 0
        self._last_s = -math.inf

    def points(self) -> tuple[FloatArray, FloatArray]:
        """Return times and values; where readings were thinned, lowest and highest of each few."""
        apart = np.array(self.lows) != np.array(self.highs)
        times_s = np.array(self.times_s)
        order = np.argsort(np.concatenate([times_s, times_s[apart]]), kind="stable")
        values = np.concatenate([self.lows, np.array(self.highs)[apart]])
        return np.concatenate([times_s, times_s[apart]])[order], values[order]

    def lift(self) -> None:
        """Begin a new line with the next reading: what lies between the two was not measured."""
        self._room = 0
        if self.times_s and self.begins[-1:] != [len(self.times_s)]:
            self.begins.append(len(self.times_s))

    def add(self, time_s: float, value: float) -> None:
        """Take in a reading; what is no number is not drawn."""
        if not math.isfinite(value):
            return
        if time_s - self._last_s > _PAUSE_S:
            self.lift()
        self._last_s = time_s
        if self._room:
            self._room -= 1
            if value < self.lows[-1]:
                self.lows[-1] = value
            elif value > self.highs[-1]:
                self.highs[-1] = value
            return
        if len(self.times_s) == self.MOST:
            self._halve()
        self.times_s.append(time_s)
        self.lows.append(value)
        self.highs.append(value)
        self._room = self._each - 1

    def _halve(self) -> None:
        self.times_s = self.times_s[::2]
        self.lows = list(map(min, self.lows[::2], self.lows[1::2]))
        self.highs = list(map(max, self.highs[::2], self.highs[1::2]))
        # A bucket that now holds the end of one line and the begin of the next ends the one.
        self.begins = sorted({(begin + 1) // 2 for begin in self.begins})
        self._each *= 2


class DecimatedTrend:
    """Follows a run for the report."""

    def __init__(self) -> None:
        self.trip: Event | None = None  #: the first cut of power
        self.bands: list[Band] = []  #: steps in the order they came
        self.told: list[Told] = []  #: what start and discharge told of the unit
        self.known = KnownFigures()  #: of the unit, before the run
        self._traces = {key: Trace() for key in DRAWN}
        self._first: list[Event] = []
        self._last: deque[Event] = deque(maxlen=_SHOWN)
        self._events = 0

    @property
    def traces(self) -> dict[tuple[str, str], Trace]:
        """Traces that have readings, by source and quantity."""
        return {key: trace for key, trace in self._traces.items() if trace.times_s}

    @property
    def events(self) -> tuple[list[Event], int, list[Event]]:
        """Events from the beginning, how many are left out, and events from the end."""
        return self._first, self._events - len(self._first) - len(self._last), list(self._last)

    def sample(self, time_s: float, step: str, values: Values, source: str) -> None:
        """Take in readings taken together."""
        if self.bands and self.bands[-1].step == step:
            self.bands[-1].end_s = time_s
        else:
            self.bands.append(Band(step, time_s, time_s))
            self._lift()
        for quantity, value, _ in values:
            trace = self._traces.get((source, quantity))
            if trace is not None:
                trace.add(time_s, value)

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in an event."""
        if kind == EventKind.PLAN:  # numbers for whoever watches; the report has the profile's text
            self.known = read_known(detail)
            return
        if kind == EventKind.FIGURES:
            detail = self._figures(detail)
        if kind in _PARTING:
            self._lift()
        event = Event(time_s, kind, step, detail)
        self._events += 1
        (self._first if len(self._first) < _SHOWN else self._last).append(event)
        if kind == EventKind.TRIP and self.trip is None:
            self.trip = event

    def _figures(self, detail: str) -> str:
        """Take in what a step told of the unit; return it in words."""
        figures = read_figures(detail)
        if figures is None:
            return "not readable"
        self.told.append(Told(figures, {key: each.points() for key, each in self.traces.items()}))
        return figures_summary(figures)

    def _lift(self) -> None:
        for trace in self._traces.values():
            trace.lift()
