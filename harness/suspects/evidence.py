"""What in the readings speaks for a suspect, what against it, and what nothing simulated shows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.qualify.unit_result import HEALTHY
from harness.suspects.digest import REACHED, SIDE, TRIP, Feature
from harness.suspects.forest import Floats
from harness.suspects.library import Library, excess
from harness.suspects.measuring import Found, agreement, reads_of
from harness.suspects.ranking import Ranking

#: Figures that are named for and against, at most.
_MOST = 3
#: Least that a figure must be away, in scaled spreads, to be worth a word.
_WORTH = 1.0
#: What is worked out of readings: nobody sees it on an instrument.
_WORKED_OUT = ("conductance", ", filled")
#: A result agrees with a unit from here on: beyond it, what is left of it is the chance of a slip.
_FITS = 0.25
#: Share of the units between the ends of a range that is told.
_FROM, _TO = 5.0, 95.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Sign:
    """One figure of the run, with what the suspect's units and healthy ones read there."""

    figure: str
    unit: str
    value: float
    such: tuple[float, float] | None  # None: such units do not have it
    healthy: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Signs:
    """What speaks for a suspect, and against it; the strongest first."""

    supporting: tuple[Sign, ...]
    against: tuple[Sign, ...]

    def __add__(self, other: Signs) -> Signs:
        """Return these and then others."""
        return Signs(
            supporting=self.supporting + other.supporting, against=self.against + other.against
        )


def signs_of(
    library: Library, ranking: Ranking, name: str, features: Mapping[str, Feature]
) -> Signs:
    """Return what speaks for a suspect and against it."""
    own = library.suspects == name
    scaled = library.scaled(library.values)
    run = library.scaled(ranking.row)
    # what a healthy unit does not explain, and the suspect's units do
    healthy = np.abs(run)
    outside = excess(scaled[own], run)
    supporting = np.where(np.isfinite(run), healthy - 2.0 * outside, -np.inf)
    if name == HEALTHY:
        supporting = np.where(np.isfinite(run), 2.0 - healthy - outside, -np.inf)
    return Signs(
        supporting=tuple(_told(library, name, features, supporting)),
        against=tuple(_told(library, name, features, outside)),
    )


def signs_found(library: Library, name: str, found: Sequence[Found]) -> Signs:
    """Return what of the results without power speaks for a suspect, and against it.

    Against it is a result that none of its units reads, for it one that only its units read.
    """
    own, healthy = library.suspects == name, library.kinds == HEALTHY
    supporting: list[Sign] = []
    against: list[Sign] = []
    for one in found:
        agreed = agreement(library, [one])
        fits = float(agreed[own].max()) > _FITS
        if fits and float(agreed[healthy].max()) > _FITS:
            continue
        reads = reads_of(library, one.measurement)
        sign = Sign(
            figure=one.measurement.name,
            unit=one.measurement.unit,
            value=one.value,
            such=_range(reads[own]),
            healthy=_range(reads[healthy]),
        )
        (supporting if fits else against).append(sign)
    return Signs(supporting=tuple(supporting), against=tuple(against))


def _told(
    library: Library, name: str, features: Mapping[str, Feature], strength: Floats
) -> Iterator[Sign]:
    """Yield the strongest figures, one of each hold or check."""
    seen: set[str] = set()
    values: list[float] = []
    turns = np.array([_turn(name, features) for name in library.names])
    for column in np.lexsort((-strength, turns)):
        figure = library.names[column]
        if len(seen) >= _MOST:
            return
        if strength[column] < _WORTH:
            continue
        place = figure.rpartition(": ")[0] or figure
        if place in seen or figure not in features or not _is_plain(figure):
            continue
        one = features[figure]
        # a check is often the very reading of its hold
        if any(math.isclose(one.value, told, rel_tol=1e-3) for told in values):
            continue
        seen.add(place)
        values.append(one.value)
        yield Sign(
            figure=figure.removeprefix("check "),
            unit=one.unit,
            value=one.value,
            such=_range(library.values[library.suspects == name, column]),
            healthy=_range(library.values[library.kinds == HEALTHY, column]),
        )


def _turn(figure: str, features: Mapping[str, Feature]) -> int:
    """Return when a figure has its turn, however loud it speaks.

    First what failed, since somebody asks about that; then what is read; last what is worked out.
    """
    side = features.get(f"{figure}{SIDE}")
    if side is not None and side.value != 0.0:
        return 0
    return 2 if figure.endswith(_WORKED_OUT) else 1


def _is_plain(figure: str) -> bool:
    """Whether a figure says something by itself."""
    noise = figure.endswith((", scatter", ": power factor", ": unexplained, of allowed", SIDE))
    return figure != REACHED and not noise and not figure.startswith((TRIP, "last hold"))


def _range(values: Floats) -> tuple[float, float] | None:
    there = values[np.isfinite(values)]
    if not len(there):
        return None
    low, high = np.percentile(there, [_FROM, _TO])
    return float(low), float(high)
