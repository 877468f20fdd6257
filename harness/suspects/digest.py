"""What a run comes to in figures: one and the same digest of a record and of a simulated unit.

A run is told to a :class:`Digest` as it is told to a record, reading by reading, and its features
follow from that: a record is told again from its tables. So what is compared was made alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from harness.judge.verdict import Verdict
from harness.record.events import EventKind
from harness.record.figures import read_figures
from harness.record.sink import CheckRow, Values

if TYPE_CHECKING:
    from harness.record.tables import Record

#: Share of a hold, from its end, that counts as its end; and the fewest readings of that.
_END_FRAC, _END_LEAST = 0.3, 3
#: What reads the feed, by the names of its quantities: the supply, and a power meter at the input
#: of the unit, which stands for it where a hand sets the source.
_FEEDS = ("", "power_meter.")
#: Quantities of the feed, of which the way to the end is looked at as well.
_FILLS = {
    f"{feed}{quantity}": unit
    for feed in _FEEDS
    for quantity, unit in (("current", "C"), ("power", "J"))
}
#: What the keeper works out; these go with the length of a hold and count as a ratio alone.
_KEEPERS = frozenset({"taken", "explained", "allowed"})
#: Below this a power factor is made of errors alone.
_LEAST_A = 0.01
#: Features by which a trip's reason is told, one each.
TRIP = "trip: "
#: Behind the name of a check: on which side of its limits it failed.
SIDE = ": side"
#: How far a run came, in holds.
REACHED = "holds reached"


@dataclass(slots=True)
class _Track:
    """One quantity during one hold."""

    unit: str
    times_s: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    @property
    def end(self) -> float:
        """Mean of the last readings."""
        return _mean(self._tail())

    @property
    def scatter(self) -> float:
        """Standard deviation of the last readings; not-a-number below three."""
        tail = self._tail()
        if len(tail) < _END_LEAST:
            return math.nan
        middle = _mean(tail)
        return math.sqrt(sum((one - middle) ** 2 for one in tail) / (len(tail) - 1))

    @property
    def filled(self) -> float:
        """What went in beyond its end value: the integral of what exceeds it (trapezoids)."""
        end, total = self.end, 0.0
        for index in range(1, len(self.values)):
            before, after = (self.values[index - 1] - end), (self.values[index] - end)
            total += 0.5 * (before + after) * (self.times_s[index] - self.times_s[index - 1])
        return total

    def outside(self, spans: Sequence[tuple[float, float]]) -> _Track:
        """Return it without what was read in some spans of time."""
        rows = [
            (time_s, value)
            for time_s, value in zip(self.times_s, self.values, strict=True)
            if not any(begin_s < time_s <= end_s for begin_s, end_s in spans)
        ]
        return _Track(self.unit, [time_s for time_s, _ in rows], [value for _, value in rows])

    def _tail(self) -> Sequence[float]:
        if not self.times_s:
            return ()
        since_s = self.times_s[-1] - _END_FRAC * (self.times_s[-1] - self.times_s[0])
        late = [v for t, v in zip(self.times_s, self.values, strict=True) if t >= since_s]
        return late if len(late) >= _END_LEAST else self.values[-_END_LEAST:]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else math.nan


#: Figures of the unit that readings or other figures say already.
_SAID_ALREADY = frozenset(
    {
        "start.leakage_current",
        "start.idle_power",
        "start.time_constant",
        "discharge.time_constant",
    }
)


@dataclass(frozen=True, slots=True)
class Feature:
    """One figure of a run."""

    value: float
    unit: str
    #: Standard uncertainty, as far as the run itself states one; zero: it states none.
    uncertainty: float = 0.0


class Digest:
    """Takes in a run and keeps what its features need; fulfils a record's ``Sink``."""

    folder: None = None

    def __init__(self, run_id: str = "") -> None:
        self.run_id = run_id
        self._holds: dict[tuple[str, str], dict[str, _Track]] = {}
        self._checks: dict[str, CheckRow] = {}
        self._figures: dict[str, Feature] = {}
        self._turns: list[tuple[float, str]] = []  # when a hand began to turn, and was there
        self.trip = ""
        self.outcome = ""

    # --- told

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Take in readings taken together."""
        hold = self._holds.setdefault((step, level), {})
        for quantity, value, unit in values:
            name = quantity if source in ("supply", "keeper") else f"{source}.{quantity}"
            track = hold.setdefault(name, _Track(unit))
            track.times_s.append(time_s)
            track.values.append(value)

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in something that happened: what a start or a discharge told of the unit."""
        del step
        if kind in (EventKind.TURN, EventKind.TURNED):
            self._turns.append((time_s, kind))
        if kind != EventKind.FIGURES or (told := read_figures(detail)) is None:
            return
        for one in told.figures:
            if one.measure in _SAID_ALREADY:
                continue
            self._figures[one.measure] = Feature(one.value, one.unit, 0.5 * one.expanded)

    def check(self, row: CheckRow) -> None:
        """Take in a judged check."""
        name, index = f"{row.step}: {row.check}", 2
        while name in self._checks:
            name, index = f"{row.step}: {row.check} ({index})", index + 1
        self._checks[name] = row

    def finish(self, run: Mapping[str, object]) -> None:
        """Take in how it ended."""
        trip: Any = run.get("trip")
        self.trip = _reason(trip)
        self.outcome = str(run.get("outcome", ""))

    def abandon(self) -> None:
        """Leave it without its end."""

    # --- asked

    @property
    def checks(self) -> Mapping[str, CheckRow]:
        """The judged checks, by step and name."""
        return self._checks

    def features(self) -> dict[str, Feature]:
        """Return the run's features by name; what was not reached or not measured is left out."""
        found: dict[str, Feature] = {}
        holds = self._still()
        for (step, level), tracks in holds.items():
            place = f"{step}, {level}" if level else step
            for name, track in tracks.items():
                if name not in _KEEPERS:
                    found |= dict(_of_track(f"{place}: {name}", name, track))
            found |= dict(_ratios(place, tracks))
        if holds:
            last = list(holds.values())[-1]
            found |= dict(_ratios("last hold", last))
            found |= {
                f"last hold: {name}": Feature(last[name].end, last[name].unit)
                for feed in _FEEDS
                for name in (f"{feed}voltage", f"{feed}current", f"{feed}power")
                if name in last
            }
        for name, row in self._checks.items():
            found[f"check {name}"] = Feature(row.value, row.unit, _or_zero(0.5 * row.uncertainty))
            found[f"check {name}{SIDE}"] = Feature(_side(row), "1")
        found |= self._figures
        found[REACHED] = Feature(float(len(holds)), "1")
        if self.trip:
            found[TRIP + self.trip] = Feature(1.0, "1")
        return {name: one for name, one in found.items() if math.isfinite(one.value)}

    def _still(self) -> dict[tuple[str, str], dict[str, _Track]]:
        """Return the holds without what was read while a hand turned the source to its level.

        How a hand turns says nothing of the unit. A turn that ended in a trip is left as it was.
        """
        turns = sorted(self._turns)
        spans = [
            (begin_s, end_s)
            for (begin_s, kind), (end_s, then) in pairwise(turns)
            if (kind, then) == (EventKind.TURN, EventKind.TURNED)
        ]
        if not spans:
            return self._holds
        still = {}
        for hold, tracks in self._holds.items():
            left = {name: track.outside(spans) for name, track in tracks.items()}
            if kept := {name: track for name, track in left.items() if track.values}:
                still[hold] = kept
        return still


def _of_track(name: str, quantity: str, track: _Track) -> Iterable[tuple[str, Feature]]:
    yield name, Feature(track.end, track.unit)
    yield f"{name}, scatter", Feature(track.scatter, track.unit)
    if quantity in _FILLS:
        yield f"{name}, filled", Feature(track.filled, _FILLS[quantity])
        yield f"{name}, highest", Feature(max(track.values), track.unit)


def _ratios(place: str, tracks: Mapping[str, _Track]) -> Iterable[tuple[str, Feature]]:
    """Return what of a hold does not go with its voltage: conductance and power factor."""
    for feed in _FEEDS:
        volts, amperes, watts = (
            tracks[f"{feed}{name}"].end if f"{feed}{name}" in tracks else math.nan
            for name in ("voltage", "current", "power")
        )
        if volts > 0.0:
            yield f"{place}: {feed}conductance", Feature(amperes / volts, "S")
            yield f"{place}: {feed}real conductance", Feature(watts / volts**2, "S")
        if volts > 0.0 and amperes > _LEAST_A:
            yield f"{place}: {feed}power factor", Feature(watts / (volts * amperes), "1")
    if "taken" in tracks and "explained" in tracks and tracks["allowed"].end > 0.0:
        beyond = tracks["taken"].end - tracks["explained"].end
        yield f"{place}: unexplained, of allowed", Feature(beyond / tracks["allowed"].end, "1")


def _side(row: CheckRow) -> float:
    """Return -1 for a check that failed below its limit, 1 above it, 0 where it did not fail."""
    if row.verdict != Verdict.FAIL:
        return 0.0
    return -1.0 if row.low is not None and row.value < row.low else 1.0


def _or_zero(value: float) -> float:
    return value if math.isfinite(value) else 0.0


def _reason(trip: Any) -> str:
    """Return the reason of a trip, as an object, a table or a word has it."""
    if trip is None:
        return ""
    if isinstance(trip, Mapping):
        return str(trip.get("reason", ""))
    return str(getattr(trip, "reason", trip))


def digest_of(record: Record) -> Digest:
    """Return the digest of a record: it is told again, row by row."""
    digest = Digest(str(record.run.get("run_id", "")))
    rows: Iterable[Any] = record.readings.itertuples(index=False)
    for row in rows:
        digest.sample(
            row.time_s, row.step, row.level, ((row.quantity, row.value, row.unit),), row.source
        )
    happened: Iterable[Any] = record.events.itertuples(index=False)
    for row in happened:
        digest.event(row.time_s, row.kind, row.step, row.detail)
    judged: Iterable[Any] = record.checks.itertuples(index=False)
    for row in judged:
        digest.check(
            CheckRow(
                step=row.step,
                check=row.check,
                quantity=row.quantity,
                value=row.value,
                unit=row.unit,
                low=row.low,
                high=row.high,
                uncertainty=row.uncertainty,
                rule=row.rule,
                verdict=row.verdict,
                margin=row.margin,
            )
        )
    digest.finish(record.run)
    return digest
