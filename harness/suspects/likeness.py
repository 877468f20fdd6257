"""How alike a run is to the units of a suspect, counted in steps from one such unit to the next.

Whether a run is of a class is another question than which class is nearest: what the library lacks
is near to something, too. A figure counts by how far such units that are neighbours differ in it,
so a class of two clusters has nothing between them, and one that reads zero reads nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.suspects.forest import Floats

#: Least step of a figure, in scaled figures: nothing in a model is truer (assumption).
_LEAST_STEP = 0.1
#: Share of neighbours that differ by less than a step.
_STEP_FRAC = 0.9
#: How many figures, the worst ones, say how far two units are apart.
_WORST = 5
#: Most that a figure counts that one has and the other has not, in steps.
_ABSENT_MOST = 10.0
#: Added to a distance, so that none has no logarithm.
_NO_DISTANCE = 0.1
#: How much likelier it is, before the run, that the cause is simulated than that it is not
#: (assumption).
_KNOWN_ODDS = 1.5
#: How often neighbours and steps are worked out from each other.
_ROUNDS = 2


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Alike:
    """Units of one suspect, and their steps; rows are units, columns are figures."""

    units: Floats
    steps: Floats
    absent: Floats  # by figure: what it counts that one has it and the other has not

    @classmethod
    def of(cls, units: Floats) -> Alike:
        """Return the steps of these units, not-a-number where a figure was not reached."""
        there = np.isfinite(units)
        found = cls(
            units=units,
            steps=np.maximum(_next_gaps(units), _LEAST_STEP),
            absent=np.full(units.shape[1], 3.0),
        )
        if len(units) < 3:
            return found
        for _ in range(_ROUNDS):
            near = [int(np.argmin(found._others(index))) for index in range(len(units))]
            gaps = np.abs(units - units[near])
            step = _most(gaps)
            rare = (there != there[near]).mean(axis=0) + (1.0 / (len(units) + 1)) ** 2
            found = cls(
                units=units,
                steps=np.maximum(np.where(np.isfinite(step), step, found.steps), _LEAST_STEP),
                absent=np.minimum(_ABSENT_MOST, 1.0 / np.sqrt(rare)),
            )
        return found

    def distances(self, row: Floats) -> Floats:
        """Return how far a run is from each unit, in steps: mean of the worst figures."""
        here, there = np.isfinite(row), np.isfinite(self.units)
        gaps = np.abs(self.units - row) / self.steps
        gaps = np.where(here & there, gaps, np.where(here != there, self.absent, 0.0))
        worst: Floats = np.partition(gaps, -_WORST, axis=1)[:, -_WORST:].mean(axis=1)
        return worst

    def distance(self, row: Floats) -> float:
        """Return how far a run is from the second nearest unit: one alone may be an oddity."""
        return _second(self.distances(row))

    def own(self) -> Floats:
        """Return how far each unit is from the others."""
        return np.array([_second(self._others(index)) for index in range(len(self.units))])

    def _others(self, index: int) -> Floats:
        found = self.distances(self.units[index])
        found[index] = np.inf
        return found


def coordinates(values: Floats, center: Floats, spread: Floats) -> Floats:
    """Return figures twice: as far from healthy ones, and as far from zero; far off by logarithm.

    Ten per cent of a volt is nothing beside a rail that is off by five, and much beside none.
    """
    return np.arcsinh(np.hstack([(values - center) / spread, values / spread]))


def distances_of(alike: Sequence[Alike], suspects: NDArray[np.intp]) -> Floats:
    """Return how far each unit is from each suspect, from its own without itself.

    Args:
        alike: Of each suspect.
        suspects: By unit, its place in these; units of one are in the order they have there.
    """
    found = np.zeros((len(suspects), len(alike)))
    for place, one in enumerate(alike):
        for other, rows in enumerate(alike):
            own = suspects == other
            found[own, place] = (
                one.own() if place == other else [one.distance(row) for row in rows.units]
            )
    return found


def doubt_of(
    distances: Floats, suspects: NDArray[np.intp], named: NDArray[np.bool_], share: Floats
) -> Floats:
    """Return what tells the simulated from what is not, by units whose suspect is left out.

    A unit whose suspect the library lacks is nearest to another one, not very near, and hardly
    nearer than to the next: a logistic regression on both (Cox 1958).

    Args:
        distances: By unit and suspect.
        suspects: By unit, its own.
        named: By unit, whether its own is named first by trees that do not know it.
        share: By unit, what it counts.
    """
    # a second of imports: only where a library is made
    from sklearn.linear_model import LogisticRegression

    every = np.arange(len(suspects))
    others = distances.copy()
    others[every, suspects] = np.inf
    nearest = np.sort(others, axis=1)
    own = _signs(distances[every, suspects][named], nearest[named, 0])
    lacking = _signs(nearest[:, 0], nearest[:, 1])
    signs = np.vstack([own, lacking])
    known = np.repeat([True, False], [len(own), len(lacking)])
    counts = np.concatenate([share[named] / share[named].sum(), share / share.sum()])
    weights = np.where(known, _KNOWN_ODDS, 1.0) * counts * len(known)
    model = LogisticRegression().fit(signs, known, weights)
    return np.array([model.intercept_[0], *model.coef_[0]])


def chance_simulated(doubt: Floats, distance: float, next_distance: float) -> float:
    """Return how likely a run's cause is a simulated one, by its first suspect and the next."""
    signs = _signs(np.array([distance]), np.array([next_distance]))[0]
    return float(1.0 / (1.0 + np.exp(-(doubt[0] + doubt[1:] @ signs))))


def _signs(distance: Floats, next_distance: Floats) -> Floats:
    near, far = np.log(distance + _NO_DISTANCE), np.log(next_distance + _NO_DISTANCE)
    return np.column_stack([near, far - near])


def _second(distances: Floats) -> float:
    near = np.sort(distances)
    return float(near[min(1, len(near) - 1)]) if np.isfinite(near[0]) else 0.0


def _next_gaps(units: Floats) -> Floats:
    """Return by figure how far a unit's next ones are, in this figure alone."""
    gaps = np.diff(np.sort(units, axis=0), axis=0)  # not-a-number comes last
    found = _most(gaps)
    return np.where(np.isfinite(found), found, 1.0)


def _most(gaps: Floats) -> Floats:
    """Return by figure what most gaps are below; not-a-number where there are too few."""
    count = np.isfinite(gaps).sum(axis=0)
    ordered = np.sort(gaps, axis=0)
    place = np.maximum(np.ceil(_STEP_FRAC * count).astype(int) - 1, 0)
    found = ordered[place, np.arange(gaps.shape[1])]
    return np.where(count > 2, found, np.nan)
