"""A library: simulated units of one profile on one bench, to compare a run with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.suspects.cold import MEASUREMENTS
from harness.suspects.forest import Floats, Forest, grown
from harness.suspects.kinds import suspects_of
from harness.suspects.likeness import Alike, coordinates, distances_of, doubt_of
from harness.suspects.population import Member

#: What a figure that was not reached or not measured counts as, far from all others.
MISSING = -30.0
#: Least spread that a figure is given, of its own size: nothing in a model is truer (assumption).
_LEAST_SPREAD_FRAC = 0.005
#: How far another design of such a unit may lie from the model, as a standard deviation, of any
#: figure (assumption).
_DESIGN_FRAC = 0.1
#: How a figure that one has and the other has not counts, as a distance in scaled figures.
_ABSENT = 3.0
#: What is added to each suspect's share: a share of nothing is no probability of nothing.
FLOOR = 2e-3


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Library:
    """Units to compare a run with; rows are units, columns are figures."""

    names: tuple[str, ...]  # of the figures
    kinds: NDArray[np.str_]  # by unit: its class
    share: (
        Floats  # by unit: what it counts, since classes have more units or fewer; one in the mean
    )
    suspects: NDArray[np.str_]  # by unit: what its class counts as
    severity: Floats  # by unit; not-a-number where there is none
    passed: NDArray[np.bool_]  # by unit: whether every check passed
    values: Floats  # not-a-number where a figure was not reached
    cold: Floats  # by unit and measurement, as ``cold.MEASUREMENTS`` has them
    center: Floats  # by figure: of healthy units
    spread: Floats  # by figure: standard deviation of healthy units, as far as they scatter
    steps: Floats  # by suspect, in order of name, and coordinate: see ``likeness``
    absent: Floats
    apart: Floats  # by unit: how far from the others of its suspect, in steps
    whole: NDArray[np.bool_]  # whether growing it further is worth nothing
    doubt: Floats  # how far a run may be from a suspect, and how near to others
    sharpness: float  # power of a share of neighbours that makes it a probability
    forest: Forest

    @property
    def each(self) -> tuple[int, int]:
        """Units of a class: the fewest, and the most."""
        counts = np.unique(self.kinds, return_counts=True)[1]
        return int(counts.min()), int(counts.max())

    def units_of(self, suspect: str) -> int:
        """Return how many units stand for a suspect."""
        return int((self.suspects == suspect).sum())

    def fit_of(self, far: float) -> float:
        """Return the share of units that are as far from the others of their suspect."""
        return float((1 + self.share[self.apart >= far].sum()) / (1 + len(self.apart)))

    def distances(self, row: Floats) -> dict[str, float]:
        """Return how far a run is from the units of each suspect, in steps."""
        run = self._coordinates(row)
        units = self._coordinates(self.values)
        return {
            name: Alike(
                units=units[self.suspects == name], steps=self.steps[i], absent=self.absent[i]
            ).distance(run)
            for i, name in enumerate(sorted(set(self.suspects.tolist())))
        }

    def _coordinates(self, values: Floats) -> Floats:
        return coordinates(values, self.center, self.spread)

    def row(self, features: Mapping[str, float]) -> Floats:
        """Return a run's figures in the columns of the library."""
        return np.array([features.get(name, np.nan) for name in self.names])

    def scaled(self, values: Floats) -> Floats:
        """Return figures in spreads of healthy units."""
        return scaled_by(values, self.center, self.spread)


def excess(scaled: Floats, run: Floats) -> Floats:
    """Return how far each figure of a run lies outside what these units read; zero inside."""
    here, there = np.isfinite(run), np.isfinite(scaled)
    low = np.where(there, scaled, np.inf).min(axis=0)
    high = np.where(there, scaled, -np.inf).max(axis=0)
    outside = np.maximum(0.0, np.maximum(run - high, low - run))
    outside = np.where(here & there.any(axis=0), outside, 0.0)
    stray = (here & ~there.any(axis=0)) | (~here & there.all(axis=0))
    found: Floats = np.where(stray, _ABSENT, outside)
    return found


def suspect_shares(suspects: NDArray[np.str_], names: Sequence[str], weights: Floats) -> Floats:
    """Return the share of each suspect in the neighbours of a run."""
    return np.array([weights[suspects == name].sum() for name in names])


def unseen_shares(forest: Forest, suspects: NDArray[np.str_], rows: Floats) -> Floats:
    """Return the share of each suspect, in order of name, for each unit by trees without it."""
    names = sorted(set(suspects.tolist()))
    votes = (forest.weights(row, without=index) for index, row in enumerate(rows))
    return np.array([suspect_shares(suspects, names, each) for each in votes])


def _sharpness(shares: Floats, true: NDArray[np.intp], counts: Floats) -> float:
    """Return the power of a share that makes it a probability, by units their trees do not know.

    Trees spread their votes; how often the first is right, the library's own units tell. Source:
    the power of least logarithmic loss, as temperature scaling has it (Guo et al. 2017).
    """
    losses = {}
    for power in np.arange(1.0, 5.01, 0.25):
        chances = (shares + FLOOR) ** power
        chances /= chances.sum(axis=1, keepdims=True)
        losses[float(power)] = -float(np.log(chances[np.arange(len(true)), true]) @ counts)
    return min(losses, key=lambda power: losses[power])


def filled(scaled: Floats) -> Floats:
    """Return scaled figures with :data:`MISSING` where there is none, as trees take them."""
    return np.where(np.isfinite(scaled), scaled, MISSING)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Table:
    """Units as rows, their figures as columns, and what the figures are scaled by."""

    names: tuple[str, ...]
    kinds: NDArray[np.str_]
    suspects: NDArray[np.str_]
    share: Floats
    values: Floats
    center: Floats
    spread: Floats

    @classmethod
    def of(cls, profile: Profile, members: Sequence[Member]) -> Table:
        """Return the table of these units; they must have a healthy one among them."""
        names = tuple(sorted({name for one in members for name in one.features}))
        values = np.array([[one.features.get(name, np.nan) for name in names] for one in members])
        kinds = np.array([one.kind for one in members])
        counted = suspects_of(profile, tuple(dict.fromkeys(kinds.tolist())))
        each, place, counts = np.unique(kinds, return_inverse=True, return_counts=True)
        center, spread = _healthy_figures(values, values[kinds == HEALTHY])
        return cls(
            names=names,
            kinds=kinds,
            suspects=np.array([counted[kind] for kind in kinds]),
            share=len(kinds) / (len(each) * counts[place]),
            values=values,
            center=center,
            spread=spread,
        )

    @property
    def scaled(self) -> Floats:
        """The figures in spreads of healthy units, as :meth:`Library.scaled` has them."""
        return scaled_by(self.values, self.center, self.spread)

    def displaced(self, seed: int) -> Floats:
        """Return them scaled, each as far off as another design of such a unit may lie."""
        noise = np.random.default_rng(seed).standard_normal(self.values.shape)
        return scaled_by(self.values * (1.0 + _DESIGN_FRAC * noise), self.center, self.spread)


def scaled_by(values: Floats, center: Floats, spread: Floats) -> Floats:
    """Return figures in spreads of healthy units: linear near them, logarithmic far off.

    Not-a-number stays what it is.
    """
    found: Floats = np.arcsinh((values - center) / spread)
    return found


def compiled(
    profile: Profile, members: Sequence[Member], *, whole: bool = True, seed: int = 1
) -> Library:
    """Return the library of these units; they must have a healthy one among them."""
    table = Table.of(profile, members)
    center, spread, suspects = table.center, table.spread, table.suspects
    counted_as = sorted(set(suspects.tolist()))
    places = coordinates(table.values, center, spread)
    alike = [Alike.of(places[suspects == name]) for name in counted_as]
    rows = filled(table.scaled)
    forest = grown(rows, suspects, filled(table.displaced(seed)), share=table.share, seed=seed)
    true = np.searchsorted(counted_as, suspects)
    shares = unseen_shares(forest, suspects, rows)
    apart = distances_of(alike, true)
    cold = [[one.cold.get(each.name, np.nan) for each in MEASUREMENTS] for one in members]
    return Library(
        names=table.names,
        kinds=table.kinds,
        share=table.share,
        suspects=suspects,
        severity=np.array([one.severity for one in members]),
        passed=np.array([one.passed for one in members]),
        values=table.values,
        cold=np.array(cold),
        center=center,
        spread=spread,
        steps=np.array([one.steps for one in alike]),
        absent=np.array([one.absent for one in alike]),
        apart=apart[np.arange(len(true)), true],
        whole=np.array(whole),
        doubt=doubt_of(apart, true, shares.argmax(axis=1) == true, table.share),
        sharpness=_sharpness(shares, true, table.share / len(true)),
        forest=forest,
    )


def _healthy_figures(values: Floats, healthy: Floats) -> tuple[Floats, Floats]:
    """Return center and spread of each figure: of healthy units, or of all where they have none."""
    center, spread = np.zeros(values.shape[1]), np.ones(values.shape[1])
    for column in range(values.shape[1]):
        every = values[:, column]
        every = every[np.isfinite(every)]
        own = healthy[:, column]
        own = own[np.isfinite(own)]
        center[column] = np.median(own if len(own) else every)
        low, high = np.percentile(own, [16, 84]) if len(own) > 1 else (0.0, 0.0)
        least = _LEAST_SPREAD_FRAC * float(np.median(np.abs(every)))
        spread[column] = max(0.5 * (high - low), least) or 1.0
    return center, spread
