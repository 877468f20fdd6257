"""What is seen of a run: power, where it stands and why, figures against their bounds (pure).

Terminal and page show this and nothing else, so both have the same words and figures; how a run
ended is in the words of its report.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.errors import CUT_MAINS
from harness.profile.measures import role_of
from harness.quantity import format_pair, format_quantity, scale_of
from harness.record.csv_text import printable
from harness.record.explanation import Explanation
from harness.report.explained import Explained, explained
from harness.report.figures import FigureRow, rows_of_all
from harness.report.wording import headline, output_text, verdict_mark
from harness.watch.fold import CheckSeen, Fold, News, Output, Phase
from harness.watch.plan_told import LevelToCome, named

#: A reading older than this is told with its age.
_OLD_S = 2.0
#: What a supply is read for, with its unit and the key of its bound.
_SUPPLY = (("voltage", "V", "voltage_v"), ("current", "A", "current_a"), ("power", "W", "power_w"))
_SAMPLED = frozenset(name for name, *_ in _SUPPLY)
_DIGITS = 4
_NOT_KNOWN = "POWER NOT KNOWN: LOOK AT THE SUPPLY"
#: So much of what happened last is seen.
_NEWS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """One figure against what it may reach."""

    name: str
    text: str  # the figure with its unit; a dash where there is none
    value: float | None
    unit: str
    limit: float | None  # what is set: volts, or the current limit
    limit_text: str
    bound: float | None  # the envelope
    bound_text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSeen:
    """One level of the plan."""

    label: str
    text: str
    voltage_v: float
    current_limit_a: float
    state: str  # done, now, ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSeen:
    """One step of the plan."""

    name: str
    kind: str
    state: str  # done, now, ahead
    levels: tuple[LevelSeen, ...]
    checks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How the run ended, in the words of its report."""

    word: str
    beneath: str
    mark: str  # pass, undecided, fail
    reason: str
    output: str


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What is seen of a run at a moment; every text prints."""

    power: str  # off, on, unconfirmed, unknown
    power_words: str
    simulated: bool
    title: str
    serial: str
    operator: str
    cannot_release: str
    step: str  # "step 2 of 5, nominal"; empty before the first
    level: str
    doing: str
    why: str
    gauges: tuple[Gauge, ...]
    others: tuple[tuple[str, str], ...]  # what meter and load read: measure, figure
    allowance_frac: float | None  # used of what may stay unexplained
    elapsed_text: str
    held_frac: float | None
    held_text: str  # time held and left at this level
    left_text: str  # what the holds still take
    age_text: str  # of the last reading, where it is old
    checks: tuple[CheckSeen, ...]
    figures: tuple[FigureRow, ...]  # what start and discharge told of the unit
    plan: tuple[StepSeen, ...]
    question: str
    trip: str
    news: tuple[News, ...]
    ending: Ending | None
    explained: Explained | None  # once it is over: what most likely explains it
    problem: str


def view_of(fold: Fold, now_s: float, explanation: Explanation | None = None) -> View:
    """Describe where a run stands, at so many seconds since its start."""
    ending = None if fold.run is None else _ending(fold.run)
    lost = fold.lost if ending is None else ""
    unknown = lost and fold.output is Output.ON  # else the journal's last word of power holds
    now_s = fold.last_s if ending else max(now_s, fold.last_s)
    frac, allowance = _allowance(fold)
    held_frac, held = _held(fold, now_s)
    old = fold.read_s is not None and now_s - fold.read_s > _OLD_S
    return View(
        power="unknown" if unknown else fold.output.value,
        power_words=_NOT_KNOWN if unknown else power_words(fold, ending),
        simulated=fold.simulated,
        title=fold.facts.get("title", ""),
        serial=fold.facts.get("serial", ""),
        operator=fold.facts.get("operator", ""),
        cannot_release=fold.facts.get("cannot_release", ""),
        step=_step(fold),
        level="" if fold.level is None else fold.level.label,
        doing=f"ended: {fold.run.get('outcome', '')}" if fold.run else fold.doing,
        why=(allowance if allowance and _is_entered(fold) else fold.why) if ending is None else "",
        gauges=tuple(_gauges(fold)),
        others=tuple(_others(fold)),
        allowance_frac=frac,
        elapsed_text=duration(now_s),
        held_frac=held_frac,
        held_text=held,
        left_text=_left(fold, now_s),
        age_text=f"read {duration(now_s - (fold.read_s or 0.0))} ago" if old else "",
        checks=tuple(fold.checks),
        figures=tuple(rows_of_all(fold.figures, fold.known)),
        plan=tuple(_plan(fold)),
        question=fold.question,
        trip=fold.trip,
        news=tuple(fold.news)[-_NEWS:],
        ending=ending,
        explained=None if explanation is None or ending is None else explained(explanation),
        problem=lost or fold.problem,
    )


def _is_entered(fold: Fold) -> bool:
    """Whether what a level takes is the news; what a hand is to do goes before."""
    return fold.phase is Phase.ENTERED and not fold.turning


def power_words(fold: Fold, ending: Ending | None = None) -> str:
    """Say in capitals what is known of the output."""
    simulated = "SIMULATED " if fold.simulated else ""
    if fold.output is Output.UNCONFIRMED:
        return CUT_MAINS
    if fold.output is Output.ON:
        return f"{simulated}POWER ON"
    if ending is not None and ending.output.isupper():
        return ending.output
    if fold.off_s is None or fold.begun is None:
        return f"{simulated}OUTPUT OFF"
    try:
        moment = (fold.begun + dt.timedelta(seconds=fold.off_s)).astimezone()
    except (OverflowError, ValueError):
        return f"{simulated}OUTPUT OFF, CONFIRMED"
    return f"{simulated}OUTPUT OFF, CONFIRMED {moment:%H:%M:%S}"


#: A hold shorter than this is brief.
_BRIEF_S = 1.0


def duration(time_s: float) -> str:
    """Show a time as people say it: ``12 s``, ``3 min 20 s``, ``2 h 5 min``."""
    seconds = max(round(time_s), 0)
    if seconds < 120:
        return f"{seconds} s"
    if seconds < 7200:
        return f"{seconds // 60} min {seconds % 60} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60} min"


def hold_time(time_s: float) -> str:
    """Show how long a hold is: a brief one to a tenth of a second, any other as people say it."""
    tenths = max(time_s, 0.0)
    return f"{tenths:.1f} s" if 0.0 < tenths < _BRIEF_S else duration(tenths)


def steady(value: float, most: float, unit: str) -> str:
    """Show a figure that changes while one looks, in unit and decimals of what it may reach."""
    scale, prefixed = scale_of(most, unit, _DIGITS)
    decimals = _DIGITS - len(f"{abs(most / scale):.0f}")
    return f"{value / scale:.{max(decimals, 0)}f} {prefixed}"


def _ending(run: Mapping[str, Any]) -> Ending:
    word, beneath = headline(run)
    return Ending(
        word=word,
        beneath=beneath,
        mark=verdict_mark(run),
        reason=printable(str(run.get("reason") or "")),
        output=output_text(run),
    )


def _step(fold: Fold) -> str:
    if fold.step < 0:
        return ""
    return f"step {fold.step + 1} of {len(fold.steps)}, {fold.steps[fold.step].name}"


def _gauges(fold: Fold) -> Iterator[Gauge]:
    level = fold.level
    for name, unit, key in _SUPPLY:
        value, _ = fold.readings.get(f"{fold.fed_by}.{name}", (None, unit))
        limit = None
        if level is not None and name != "power":
            limit = level.voltage_v if name == "voltage" else level.current_limit_a
        bound = fold.facts.get(key)
        yield Gauge(
            name=name,
            text="-" if value is None else steady(value, limit or bound or value, unit),
            value=value,
            unit=unit,
            limit=limit,
            limit_text="" if limit is None else format_quantity(limit, unit),
            bound=bound,
            bound_text="" if bound is None else format_quantity(bound, unit),
        )


def _others(fold: Fold) -> Iterator[tuple[str, str]]:
    for measure, (value, unit) in fold.readings.items():
        source, _, name = measure.partition(".")
        others = {"meter", "load", "power_meter"} - {fold.fed_by}
        if role_of(source) in others or (source == fold.fed_by and name not in _SAMPLED):
            told = printable(f"{source} {name}".replace("_", " "))
            yield told, format_quantity(value, unit, _DIGITS)


def _allowance(fold: Fold) -> tuple[float | None, str]:
    """Say what of the level's allowance is used, and what was explained."""
    figures = [fold.readings.get(f"keeper.{name}") for name in ("taken", "explained", "allowed")]
    if fold.phase is Phase.NONE or None in figures:
        return None, ""
    (taken, unit), (explained, _), (allowed, _) = (each for each in figures if each is not None)
    if not allowed > 0:
        return None, ""
    frac = max(taken - explained, 0.0) / allowed
    if unit == "s":
        return frac, f"{format_pair(taken, allowed, 's', 3)} at the current limit"
    used = f"{100 * frac:.0f} % of {format_quantity(allowed, unit, 3)} used"
    if taken <= 0:
        return frac, f"nothing to explain; {used}"
    both = format_pair(min(explained, taken), taken, unit, 2).replace("/", " of ")
    return frac, f"{both} explained; {used}"


def _held(fold: Fold, now_s: float) -> tuple[float | None, str]:
    level = fold.level
    if level is None or fold.phase is Phase.NONE:
        return None, ""
    since_s = max(now_s - fold.since_s, 0.0)
    if fold.phase is not Phase.HELD:
        return 0.0, f"at rest for 0 s of {hold_time(level.dwell_s)}; since {duration(since_s)}"
    left_s = max(level.dwell_s - since_s, 0.0)
    shown = hold_time if level.dwell_s < _BRIEF_S else duration
    held = f"held {shown(min(since_s, level.dwell_s))} of {shown(level.dwell_s)}"
    frac = min(since_s / level.dwell_s, 1.0) if level.dwell_s > 0 else 1.0
    return frac, f"{held}, {shown(left_s)} left" if left_s else f"{held}, reading"


def _left(fold: Fold, now_s: float) -> str:
    """Say what the holds to come take, this one's rest too."""
    if not fold.steps or fold.run is not None:
        return ""
    ahead_s = sum(level.dwell_s for step in fold.steps[fold.step + 1 :] for level in step.levels)
    if fold.step >= 0:
        coming = fold.steps[fold.step].levels[fold.level_number + 1 :]
        ahead_s += sum(level.dwell_s for level in coming)
        if fold.level is not None and fold.phase is not Phase.NONE and fold.level_number >= 0:
            held_s = now_s - fold.since_s if fold.phase is Phase.HELD else 0.0
            ahead_s += max(fold.level.dwell_s - held_s, 0.0)
    return f"holds to come {duration(ahead_s)}"


def _plan(fold: Fold) -> Iterator[StepSeen]:
    over = fold.run is not None
    for number, step in enumerate(fold.steps):
        is_now = number == fold.step and not over
        state = "now" if is_now else "done" if number <= fold.step else "ahead"
        levels = []
        for place, level in enumerate(step.levels):
            seen = state
            if is_now and place != fold.level_number:
                seen = "done" if place < fold.level_number else "ahead"
            elif number == fold.step and over:  # cut short, or done to its end
                seen = "done" if place <= fold.level_number else "ahead"
            levels.append(
                LevelSeen(
                    label=level.label,
                    text=_told(level),
                    voltage_v=level.voltage_v,
                    current_limit_a=level.current_limit_a,
                    state=seen,
                )
            )
        yield StepSeen(
            name=step.name,
            kind=step.kind,
            state=state,
            levels=tuple(levels),
            checks=step.checks,
        )


def _told(level: LevelToCome) -> str:
    limit = format_quantity(level.current_limit_a, "A", 3)
    return f"{named(level)}, limit {limit}, hold {hold_time(level.dwell_s)}"
