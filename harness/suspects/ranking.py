"""Which suspects explain a run, how likely each is, and how far it has gone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from harness.qualify.unit_result import HEALTHY
from harness.suspects.forest import Floats
from harness.suspects.kinds import Kind, kind_named
from harness.suspects.library import FLOOR, Library, filled
from harness.suspects.likeness import chance_simulated

#: A run that is less likely one of what is simulated than that is unlike anything simulated.
UNLIKE_FRAC = 0.5
#: Least that a suspect whose units never read so counts for, of one whose units do: the library is
#: a model, and the unit on the bench is another design (assumption).
_LEAST_FIT = 0.02
#: Coverage of a severity's range.
_RANGE_FRAC = 0.9
#: Suspects that are told of, at most: of no other is it worked out how far it has gone.
TOLD = 5
#: Figures by which the severity of a class is found, and units that are near.
_TELLING, _NEAR = 6, 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Range:
    """How far a fault has gone, in its own measure."""

    value: float
    low: float  # with :data:`_RANGE_FRAC` of such units between low and high
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Suspect:
    """One explanation."""

    kind: Kind
    #: Others that no reading of this bench tells from it.
    merged: tuple[Kind, ...]
    probability: float
    severity: Range | None

    @property
    def name(self) -> str:
        """Name of its class."""
        return self.kind.name

    @property
    def words(self) -> str:
        """What it is, with all that merges."""
        return ", or ".join(one.words for one in (self.kind, *self.merged))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ranking:
    """What explains a run, the likeliest first."""

    suspects: tuple[Suspect, ...]
    #: How likely the cause is a simulated one at all; see :data:`UNLIKE_FRAC`.
    likeness: float
    #: By unit of the library: its weight as a neighbour of the run.
    weights: Floats = field(repr=False)
    #: The run's figures, as the library has them.
    row: Floats = field(repr=False)

    @property
    def is_unlike(self) -> bool:
        """Whether the run is unlike anything simulated."""
        return self.likeness < UNLIKE_FRAC


def ranked(
    library: Library,
    features: Mapping[str, float],
    *,
    prior: Mapping[str, float] | None = None,
    agreement: Floats | None = None,
) -> Ranking:
    """Rank what may explain a run.

    Args:
        library: Of the run's profile and bench.
        features: The run's figures, by name.
        prior: By class, how much likelier it is than the others before the run, from the story.
        agreement: By unit of the library, how well it agrees with what was found without power.
    """
    row = library.row(features)
    weights = library.forest.weights(filled(library.scaled(row)))
    distances = library.distances(row)
    agreed = np.ones(len(weights)) if agreement is None else agreement
    names = list(dict.fromkeys(library.suspects.tolist()))
    chances = {}
    for name in names:
        own = library.suspects == name
        share = float(weights[own].sum())
        # neighbours speak; where there are none, all of the class do
        near = weights[own] + FLOOR * library.share[own] / library.share[own].sum()
        factor = float((near * agreed[own]).sum() / near.sum())
        factor *= max(library.fit_of(distances[name]), _LEAST_FIT)
        factor *= _prior_of(name, library, prior or {})
        chances[name] = (share + FLOOR) ** library.sharpness * factor
    order = sorted(names, key=lambda name: -chances[name])
    nearest = distances.pop(order[0])
    next_one = min(distances.values(), default=nearest)
    likeness = chance_simulated(library.doubt, nearest, next_one)
    total = sum(chances.values())
    if likeness < UNLIKE_FRAC:  # what is not simulated has the rest
        total /= likeness
    return Ranking(
        suspects=tuple(
            Suspect(
                kind=kind_named(name),
                merged=_merged(library, name),
                probability=chances[name] / total,
                severity=severity_range(library, name, row) if place < TOLD else None,
            )
            for place, name in enumerate(order)
        ),
        likeness=likeness,
        weights=weights,
        row=row,
    )


def _prior_of(name: str, library: Library, prior: Mapping[str, float]) -> float:
    kinds = set(library.kinds[library.suspects == name].tolist())
    return max(prior.get(kind, 1.0) for kind in kinds)


def _merged(library: Library, name: str) -> tuple[Kind, ...]:
    if name == HEALTHY:  # what a profile cannot show is told by itself
        return ()
    kinds = dict.fromkeys(library.kinds[library.suspects == name].tolist())
    return tuple(kind_named(kind) for kind in kinds if kind != name)


# --- how far it has gone


def severity_range(library: Library, name: str, row: Floats) -> Range | None:
    """Return how far a fault has gone in a run; None where it has no degrees.

    By the nearest units of the class, in the figures that go with its severity most (Spearman);
    the range by what the same leaves open for each of the class (jackknife; Barber et al. 2021).
    """
    own = np.flatnonzero((library.kinds == name) & np.isfinite(library.severity))
    severity = kind_named(name).severity
    if severity is None or len(own) < 2 * _NEAR:
        return None
    places = np.array([severity.place_of(number) for number in library.severity[own]])
    scaled = library.scaled(library.values[own])
    weight = _telling(scaled, places)
    run = library.scaled(row)
    each = [_place_by(scaled, places, weight, scaled[i], without=i) for i in range(len(own))]
    misses = np.sort(np.abs(np.array(each) - places))
    reach = float(misses[min(math.ceil(_RANGE_FRAC * (len(own) + 1)), len(own)) - 1])
    place = _place_by(scaled, places, weight, run)
    low, high = (severity.at(min(1.0, max(0.0, one))) for one in (place - reach, place + reach))
    return Range(value=severity.at(place), low=min(low, high), high=max(low, high))


def _telling(scaled: Floats, places: Floats) -> Floats:
    """Return the weight of each figure: its rank correlation, squared, of the best few."""
    weight = np.zeros(scaled.shape[1])
    ranks = _ranks(places)
    for column in range(scaled.shape[1]):
        values = scaled[:, column]
        there = np.isfinite(values)
        if there.sum() < max(4, 0.7 * len(values)) or np.ptp(values[there]) < 1e-9:
            continue
        one, other = _ranks(values[there]), _ranks(ranks[there])
        weight[column] = float(np.corrcoef(one, other)[0, 1]) ** 2
    keep = np.argsort(-weight)[:_TELLING]
    kept = np.zeros_like(weight)
    kept[keep] = weight[keep]
    return kept


def _ranks(values: Floats) -> Floats:
    return np.argsort(np.argsort(values)).astype(float)


def _place_by(
    scaled: Floats, places: Floats, weight: Floats, row: Floats, without: int | None = None
) -> float:
    """Return the place from mild to severe of a row, by the units that are nearest to it."""
    chosen = np.flatnonzero(weight > 0.0)
    if not len(chosen):
        return float(places.mean())
    gaps = scaled[:, chosen] - row[chosen]
    # a figure in which the class scatters much says little of nearness
    spans = np.nanstd(scaled[:, chosen], axis=0) + 1e-9
    distance = (weight[chosen] * np.where(np.isfinite(gaps), (gaps / spans) ** 2, 1.0)).sum(axis=1)
    if without is not None:
        distance[without] = np.inf
    near = np.argsort(distance)[:_NEAR]
    closeness = 1.0 / (distance[near] + 1e-6)
    return float((closeness * places[near]).sum() / closeness.sum())
