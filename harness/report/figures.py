"""What a start told of the unit, in words: each figure beside what was known of the unit before."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from harness.quantity import format_quantity
from harness.record.figures import (
    EarlierFigure,
    Figure,
    Figures,
    KnownFigures,
    figures_of_events,
    numbered,
)
from harness.report.wording import value_text

#: Of each figure so many earlier ones are named.
_MOST_EARLIER = 2
#: A difference beyond this is told as a multiple.
_TENFOLD = 10.0
#: Names of measures that do not speak for themselves.
_NAMES = {
    "start.begin_voltage": "turn-on voltage",
    "start.stop_voltage": "turn-off voltage",
    "start.switch_on_current": "switch-on current",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One figure of the unit, in words; every text prints."""

    of: str  # the step it comes from: start, discharge; of several by its number: start no. 2
    name: str
    found: str  # with its uncertainty; empty where there is none
    #: What that states, and how far off the figure is, or that it agrees within its uncertainty;
    #: empty where it states none.
    nameplate: str
    earlier: tuple[str, ...]  # of the same unit, the newest first
    why_not: str  # why there is no figure; empty where there is one
    by_level: str = ""  # what each level told, on a line; empty where it is told once


def _rows(of: str, told: Figures, known: KnownFigures) -> Iterator[FigureRow]:
    """Yield what a step told of the unit, one row a measure: of several levels the highest.

    A reason that several have is told once.
    """
    reasons: dict[str, str] = {}
    for measure, group in itertools.groupby(told.figures, key=lambda figure: figure.measure):
        figures = list(group)
        figure = figures[-1]
        there = math.isfinite(figure.value)
        earlier = map(_earlier, known.before(of, figure))
        name = figure_name(measure)
        why_not = "" if there else figure.why_not or "no reason is given"
        first = reasons.setdefault(why_not, name)
        yield FigureRow(
            of=of,
            name=f"{name} at {figure.level}" if figure.level else name,
            found=_found(figure) if there else "",
            nameplate=_nameplate(figure, known.nameplate.get(measure)),
            earlier=tuple(itertools.islice(earlier, _MOST_EARLIER)),
            why_not=why_not if first == name or there else f"as for the {first}",
            by_level=_by_level(of, name, figures) if len(figures) > 1 else "",
        )


def _by_level(of: str, name: str, figures: Iterable[Figure]) -> str:
    """Say on one line what each level told."""
    step = "" if of == "start" else f", by {of},"
    return f"{name}{step} by level: {'; '.join(map(_of_level, figures))}"


def _of_level(figure: Figure) -> str:
    if math.isfinite(figure.value):
        return f"{figure.level}: {_found(figure)}"
    # most reasons are about a level, and begin with it
    return f"{figure.level}: none ({figure.why_not.removeprefix(f'{figure.level}: ')})"


def _found(figure: Figure) -> str:
    return value_text(figure.value, figure.expanded, figure.unit)


def rows_of_all(told: Iterable[Figures], known: KnownFigures) -> Iterator[FigureRow]:
    """Yield what the steps of a run told of the unit; a second start is told from the first."""
    for of, each in numbered(told):
        yield from _rows(of, each, known)


def rows_of_events(events: Iterable[tuple[str, str]]) -> Iterator[FigureRow]:
    """Yield what a run told of the unit, out of kind and detail of its events."""
    found, known = figures_of_events(events)
    yield from rows_of_all(found, known)


def figure_name(measure: str) -> str:
    """Return the name of a measure as people say it: ``bulk capacitance``."""
    return _NAMES.get(measure) or measure.rpartition(".")[2].replace("_", " ")


def figures_summary(told: Figures) -> str:
    """Say in a few words what came of a step's figures."""
    rows = list(_rows(told.of, told, KnownFigures()))
    found = [f"{row.name} {row.found}" for row in rows if row.found]
    without = len(rows) - len(found)
    parts = [*found, *([f"{without} without a value"] if without else [])]
    return f"of the {told.of}: {', '.join(parts) or 'none'}"


def _nameplate(figure: Figure, stated: float | None) -> str:
    if stated is None:
        return ""
    text = format_quantity(stated, figure.unit)
    if not (math.isfinite(figure.value) and stated > 0):
        return text
    share = figure.value / stated
    off = f"{share:.2g} times" if share > _TENFOLD else f"{100 * (share - 1):+.0f} %"
    off = "agrees" if abs(figure.value - stated) <= figure.expanded else off
    return f"{text} ({off})"


def _earlier(figure: EarlierFigure) -> str:
    return f"{value_text(figure.value, figure.expanded, figure.unit)} on {figure.date}"
