"""What a start or a discharge told of the unit, as the journal has it.

The event ``figures`` holds what came out, the event ``plan`` what was known of the unit before:
what its nameplate states, and its own figures of earlier runs. Screens and reports read these two
and nothing else.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, get_args

from harness.record.csv_text import printable
from harness.record.events import EventKind
from harness.record.run_summary import plain

#: What figures come from.
Source = Literal["start", "discharge"]

#: More of each are none of ours.
_MOST_FIGURES, _MOST_LEVELS, _MOST_POINTS = 256, 64, 256
#: Nothing at a bench is larger, whatever its unit.
_MOST = 1e18


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of the unit, or why there is none."""

    measure: str  # its name as a check has it: ``start.bulk_capacitance``
    level: str = ""  # the level of the start that tells it; empty: the whole of it
    unit: str
    value: float = math.nan  # not-a-number where there is none
    expanded: float = math.nan  # its uncertainty U, about 95 % coverage
    why_not: str = ""  # why there is no value, a sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLevel:
    """What the fitted circuit gives for one level; empty where that was not fitted.

    ``times_s`` are seconds since the run's start, as those of the readings it runs through.
    """

    level: str
    times_s: tuple[float, ...]
    voltage_v: tuple[float, ...] = ()
    current_a: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What an AC unit's capacitor took from the lowest level of a start up to another one."""

    level: str
    square_v2: float  # what a capacitor of one farad would take in J: so many volts squared
    energy_j: float  # less what the path took
    expanded_j: float  # its uncertainty U, about 95 % coverage


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What one step told of the unit."""

    of: Source
    figures: tuple[Figure, ...]
    fitted: tuple[FittedLevel, ...] = ()
    gains: tuple[Gain, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierFigure:
    """A figure of the same unit from an earlier run."""

    run: str  # its name
    date: str  # when it began, as ISO 8601 has it: ``2026-11-25``
    of: str  # the step it comes from, as :func:`numbered` has it
    measure: str
    level: str = ""
    unit: str
    value: float
    expanded: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFigures:
    """What was known of the unit before the run."""

    nameplate: Mapping[str, float] = field(default_factory=dict)  # by measure, in SI
    earlier: tuple[EarlierFigure, ...] = ()  # the newest first

    def before(self, of: str, figure: Figure) -> Iterator[EarlierFigure]:
        """Yield what earlier runs found for a figure by the same step, the newest first.

        A start at high line takes another energy than one at low line.
        """
        for each in self.earlier:
            same = (of, figure.measure, figure.level, figure.unit)
            if (each.of, each.measure, each.level, each.unit) == same:
                yield each


def numbered(told: Iterable[Figures]) -> Iterator[tuple[str, Figures]]:
    """Yield what the steps of a run told with the step's name, a second one told from the first."""
    counts: Counter[str] = Counter()
    for each in told:
        counts[each.of] += 1
        number = counts[each.of]
        yield each.of if number == 1 else f"{each.of} no. {number}", each


def figures_detail(told: Figures) -> str:
    """Return the detail of the event ``figures``: JSON on one line."""
    content = {
        "of": told.of,
        "figures": [asdict(figure) for figure in told.figures],
        "fitted": [
            {
                "level": level.level,
                "time_s": level.times_s,
                "voltage_v": level.voltage_v,
                "current_a": level.current_a,
            }
            for level in told.fitted
        ],
        "gains": [asdict(gain) for gain in told.gains],
    }
    return json.dumps(plain(content), allow_nan=False)


def read_figures(detail: str) -> Figures | None:
    """Read the detail of an event ``figures``; None where it is none that this program wrote."""
    try:
        told = json.loads(detail)
        of = told["of"]
        if of not in get_args(Source):
            return None
        return Figures(
            of=of,
            figures=tuple(map(_figure, told["figures"][:_MOST_FIGURES])),
            fitted=tuple(map(_fitted, told["fitted"][:_MOST_LEVELS])),
            gains=tuple(map(_gain, told.get("gains", [])[:_MOST_LEVELS])),
        )
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None


def known_detail(known: KnownFigures) -> dict[str, Any]:
    """Return what the event ``plan`` says of it, as plain data."""
    told: dict[str, Any] = plain(asdict(known))
    return told


def read_known(detail: str) -> KnownFigures:
    """Read what the detail of an event ``plan`` says of the unit; nothing where it says nothing."""
    try:
        told = json.loads(detail)["known"]
        return KnownFigures(
            nameplate={_word(name): _finite(value) for name, value in told["nameplate"].items()},
            earlier=tuple(map(_earlier, told["earlier"][:_MOST_FIGURES])),
        )
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return KnownFigures()


def figures_of_events(events: Iterable[tuple[str, str]]) -> tuple[list[Figures], KnownFigures]:
    """Return what a run told of the unit, and what was known before, of its kinds and details."""
    found, known = [], KnownFigures()
    for kind, detail in events:
        if kind == EventKind.PLAN:
            known = read_known(detail)
        elif kind == EventKind.FIGURES and (told := read_figures(detail)) is not None:
            found.append(told)
    return found, known


def _figure(told: Mapping[str, Any]) -> Figure:
    return Figure(
        measure=_word(told["measure"]),
        level=_word(told.get("level", "")),
        unit=_word(told["unit"]),
        value=_number(told["value"]),
        expanded=_number(told["expanded"]),
        why_not=_word(told["why_not"] or ""),
    )


def _fitted(told: Mapping[str, Any]) -> FittedLevel:
    times_s = _numbers(told["time_s"])
    lines = {key: _numbers(told[key]) for key in ("voltage_v", "current_a")}
    if any(line and len(line) != len(times_s) for line in lines.values()):
        raise ValueError("a line of another length than its times")
    return FittedLevel(level=_word(told["level"]), times_s=times_s, **lines)


def _gain(told: Mapping[str, Any]) -> Gain:
    square_v2, energy_j, expanded_j = (
        _finite(told[key]) for key in ("square_v2", "energy_j", "expanded_j")
    )
    return Gain(
        level=_word(told["level"]),
        square_v2=square_v2,
        energy_j=energy_j,
        expanded_j=expanded_j,
    )


def _earlier(told: Mapping[str, Any]) -> EarlierFigure:
    run, date, measure, unit = (_word(told[key]) for key in ("run", "date", "measure", "unit"))
    return EarlierFigure(
        run=run,
        date=date,
        of=_word(told.get("of", "start")),  # a record of before a second start was told apart
        measure=measure,
        level=_word(told.get("level", "")),
        unit=unit,
        value=_finite(told["value"]),
        expanded=_finite(told["expanded"]),
    )


def _word(told: object) -> str:
    return printable(str(told))


def _number(told: object) -> float:
    """Read a number; null, and what is infinite, is none."""
    value = math.nan if told is None else float(str(told))
    return value if abs(value) <= _MOST else math.nan


def _finite(told: object) -> float:
    value = float(str(told))
    if not abs(value) <= _MOST:
        raise ValueError("no number of a bench")
    return value


def _numbers(told: Iterable[object]) -> tuple[float, ...]:
    return tuple(map(_finite, list(told)[:_MOST_POINTS]))
