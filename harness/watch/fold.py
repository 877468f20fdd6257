"""The rows of a run's journal, one after the other, and where the run stands by them (pure).

Rows may come from a folder that anybody can write to: a row that says something else than the
program writes is passed over, and no character that does not print gets any further.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import re
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from harness.profile.steps import STEP_KINDS
from harness.record.csv_text import printable
from harness.record.events import EventKind
from harness.record.figures import Figures, KnownFigures, read_figures, read_known
from harness.report.figures import figures_summary
from harness.watch.plan_told import LevelToCome, StepToCome, finite, named, step_to_come

#: So many of the latest things that happened are kept.
_NEWS = 256
#: A check's event: name, verdict, what was found, what is wanted.
_CHECK = re.compile(r"(.*): (pass|fail|undecided), ([^()]*) \(([^()]*)\)(?:; .*)?", re.DOTALL)


class Output(StrEnum):
    """What is known of the supply's output."""

    OFF = "off"
    ON = "on"  # or may be on: it was sent
    UNCONFIRMED = "unconfirmed"


class Phase(StrEnum):
    """What becomes of the level that was set last."""

    NONE = "none"
    ENTERED = "entered"  # readings have not come to rest yet
    HELD = "held"
    DISTURBED = "disturbed"  # readings at rest move again


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSeen:
    """One check that was judged, in words."""

    step: str
    name: str
    verdict: str
    found: str
    wanted: str


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """One thing that happened, in words."""

    time_s: float
    output: Output  # from then on
    words: str


@dataclass(slots=True)
class Fold:
    """Takes the journal's rows in; its attributes say where the run stands."""

    facts: Mapping[str, Any] = field(default_factory=dict)  # of the plan: unit, envelope, ...
    steps: tuple[StepToCome, ...] = ()
    begun: dt.datetime | None = None  # when its clock began, in UTC
    simulated: bool = False
    output: Output = Output.OFF
    off_s: float | None = None  # when output off was last confirmed
    step: int = -1  # which of the steps
    level: LevelToCome | None = None
    level_number: int = -1  # which of the step's levels; none of them while power is brought back
    phase: Phase = Phase.NONE
    since_s: float = 0.0  # when the phase began
    look: str = ""  # what the person at the bench is to look at while the step is held
    turning: bool = False  # somebody turns a source that is set by hand
    question: str = ""
    trip: str = ""
    stopped: str = ""  # who wanted power off
    doing: str = "getting ready"
    why: str = ""
    last_s: float = 0.0  # time of the last row
    readings: dict[str, tuple[float, str]] = field(default_factory=dict)  # by measure name
    read_s: float | None = None  # when the supply was last read
    checks: list[CheckSeen] = field(default_factory=list)
    figures: list[Figures] = field(default_factory=list)  # what start and discharge told
    known: KnownFigures = field(default_factory=KnownFigures)  # of the unit, before the run
    news: deque[News] = field(default_factory=lambda: deque(maxlen=_NEWS))
    happened: int = 0  # events so far
    run: Mapping[str, Any] | None = None  # how it ended, as ``run.json`` says
    problem: str = ""  # why no more is to be seen of it
    lost: str = ""  # why what the journal says of power may no longer be so

    @property
    def fed_by(self) -> str:
        """What reads the feed while power is on: the supply, or a power meter."""
        return str(self.facts.get("fed_by", "supply"))

    def reading(self, time_s: float, source: str, name: str, value: float, unit: str) -> None:
        """Take in one row of ``readings.csv``; where the run stands, the events say."""
        if self.off_s is not None and time_s <= self.off_s:
            return  # from before power went off
        self.last_s = max(self.last_s, time_s)
        if not math.isfinite(value):
            self.readings.pop(f"{source}.{name}", None)
            return
        self.readings[f"{source}.{name}"] = value, unit
        if source == self.fed_by:
            self.read_s = time_s

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in one row of ``events.csv``."""
        self.last_s = max(self.last_s, time_s)
        if kind in {EventKind.METER, EventKind.LOAD}:  # what was read there is no more
            source = f"{kind}."
            self.readings = {k: v for k, v in self.readings.items() if not k.startswith(source)}
        kind, step, detail = printable(kind), printable(step), printable(detail)
        self.question = detail if kind == EventKind.QUESTION else ""
        match kind:
            case EventKind.PLAN:
                self._plan(detail)
            case EventKind.STEP:
                self._step(step, detail)
            case EventKind.LEVEL:
                self._enter(time_s, detail)
            case EventKind.SETTLED:
                self._phase(Phase.HELD, time_s, "holding", self.look or "the readings are at rest")
            case EventKind.DISTURBED:
                self._phase(Phase.DISTURBED, time_s, "waiting for rest", detail)
            case EventKind.TURN | EventKind.TURNED:
                self._turn(kind, detail)
            case EventKind.CHECK | EventKind.NOT_SHOWN_TO_LIVE | EventKind.FIGURES:
                self._found(kind, step, detail)
            case EventKind.QUESTION | EventKind.LOOK:
                self._asked(kind, detail)
            case _:
                self._power(time_s, kind, detail)
        self.happened += 1
        self.news.append(News(time_s=time_s, output=self.output, words=told(kind, detail)))

    def _asked(self, kind: str, detail: str) -> None:
        if kind == EventKind.LOOK:
            self.look = f"look: {detail}"
        else:
            self.doing, self.why = "waiting for an answer", ""

    def _turn(self, kind: str, detail: str) -> None:
        """Say in capitals what a hand is to do: power is on."""
        first, _, second = detail.partition(": ")
        self.turning = kind == EventKind.TURN
        if self.turning:
            self.doing, self.why = f"TURN {first.upper()}", second
        else:
            self.doing, self.why = second.upper(), f"{first} read; hold it there"

    def _power(self, time_s: float, kind: str, detail: str) -> None:
        match kind:
            case EventKind.SIMULATED:
                self.simulated = True
            case EventKind.SWITCHING_ON | EventKind.POWER_ON:
                self.output, self.off_s = Output.ON, None
            case EventKind.POWER_OFF:
                sure = detail == "confirmed"
                self.output = Output.OFF if sure else Output.UNCONFIRMED
                self.off_s = time_s if sure else None
                self.level, self.phase, self.read_s = None, Phase.NONE, None
                self.readings.clear()
                if not (self.trip or self.stopped):
                    self.doing, self.why = "output off", ""
            case EventKind.TRIP:
                self.trip = self.trip or detail
                self.doing, self.why = "power was cut", self.trip
            case EventKind.STOPPED:
                self.stopped = self.stopped or detail
                self.doing, self.why = "power was cut", self.stopped
            case EventKind.SWITCHING_OFF_AGAIN:
                self.doing, self.why = "switching off again", detail
            case EventKind.REFUSED:
                self.doing, self.why = "the run does not go on", detail
            case (
                EventKind.METER
                | EventKind.LOAD
                | EventKind.FEED
                | EventKind.ANSWER
                | EventKind.AGREED
            ):
                self.doing, self.why = "going on", ""

    def _plan(self, detail: str) -> None:
        if self.steps:
            return  # there is one a run
        try:
            told = json.loads(detail)
            steps = tuple(step_to_come(step) for step in told.pop("steps"))
            told.pop("known", None)
            begun = dt.datetime.fromisoformat(str(told["begun_utc"])).astimezone(dt.UTC)
            bounds = {name: finite(told["envelope"][name]) for name in _BOUNDS}
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            return  # not by this program
        self.steps, self.begun = steps, begun
        self.known = read_known(detail)
        self.facts = {key: printable(str(value)) for key, value in told.items()} | bounds
        self.simulated = told.get("rehearsal") is True
        self.doing = "identifying the instruments, and asking each question once"

    def _step(self, name: str, kind: str) -> None:
        named = [number for number, step in enumerate(self.steps) if step.name == name]
        self.step = named[0] if named else self.step
        self.level, self.level_number, self.phase, self.look = None, -1, Phase.NONE, ""
        # what a meter or a load read in the step before is of that one
        fed = f"{self.fed_by}."
        self.readings = {key: read for key, read in self.readings.items() if key.startswith(fed)}
        self.doing = name
        self.why = STEP_KINDS[kind].about if kind in STEP_KINDS else ""

    def _enter(self, time_s: float, detail: str) -> None:
        label = detail.rpartition(": ")[0]
        step = self.steps[self.step] if self.step >= 0 else None
        self.level = None
        for number, level in enumerate(step.levels if step else ()):
            if level.label == label and number > self.level_number:
                self.level, self.level_number = level, number
                break
        if self.level is None and step is not None:  # on the way back to where power was
            self.level = next((level for level in step.restart if level.label == label), None)
        doing = "going to"
        if self.level is not None and self.level.allowance:
            doing = "filling the capacitors, to"
        self._phase(Phase.ENTERED, time_s, doing, "the readings must come to rest first")
        for name in ("keeper.taken", "keeper.explained", "keeper.allowed"):
            self.readings.pop(name, None)

    def _phase(self, phase: Phase, time_s: float, doing: str, why: str) -> None:
        self.phase, self.since_s, self.why, self.turning = phase, time_s, why, False
        self.doing = doing if self.level is None else f"{doing} {named(self.level)}"

    def _found(self, kind: str, step: str, detail: str) -> None:
        match kind:
            case EventKind.CHECK:
                self._check(step, detail)
            case EventKind.FIGURES:
                self.figures += filter(None, [read_figures(detail)])
            case _:
                self._not_live(detail)

    def _check(self, step: str, detail: str) -> None:
        found = _CHECK.fullmatch(detail)
        if found is not None:
            name, verdict, value, wanted = found.groups()
            self.checks.append(
                CheckSeen(step=step, name=name, verdict=verdict, found=value, wanted=wanted)
            )

    def _not_live(self, detail: str) -> None:
        self.checks = [
            CheckSeen(
                step=check.step,
                name=check.name,
                verdict="undecided",
                found=check.found,
                wanted=check.wanted,
            )
            if detail.startswith(f"{check.name}: ")
            else check
            for check in self.checks
        ]


#: Keys of the envelope.
_BOUNDS = ("voltage_v", "current_a", "power_w")


def told(kind: str, detail: str) -> str:
    """Say in a line what an event says."""
    if kind == EventKind.PLAN:
        return "plan written"
    if kind == EventKind.FIGURES:
        found = read_figures(detail)
        return kind if found is None else f"figures {figures_summary(found)}"
    return f"{kind}: {detail}" if detail else kind
