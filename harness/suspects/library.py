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
#: How many of a run's figures, the worst ones, say that it is unlike a suspect's units.
_WORST = 3
#: What is added to each suspect's share: a share of nothing is no probability of nothing.
FLOOR = 2e-3


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Library:
    """Units to compare a run with; rows are units, columns are figures."""

    names: tuple[str, ...]  # of the figures
    kinds: NDArray[np.str_]  # by unit: its class
    suspects: NDArray[np.str_]  # by unit: what its class counts as
    severity: Floats  # by unit; not-a-number where there is none
    passed: NDArray[np.bool_]  # by unit: whether every check passed
    values: Floats  # not-a-number where a figure was not reached
    cold: Floats  # by unit and measurement, as ``cold.MEASUREMENTS`` has them
    center: Floats  # by figure: of healthy units
    spread: Floats  # by figure: standard deviation of healthy units, as far as they scatter
    misfits: Floats  # by unit: how far outside the others of its suspect it lies
    sharpness: float  # power of a share of neighbours that makes it a probability
    forest: Forest

    @property
    def each(self) -> int:
        """Units of each class, about."""
        return len(self.kinds) // max(len(set(self.kinds)), 1)

    def fit_of(self, far: float) -> float:
        """Return the share of units that lie as far outside the others of their suspect."""
        return float((1 + (self.misfits >= far).sum()) / (1 + len(self.misfits)))

    def row(self, features: Mapping[str, float]) -> Floats:
        """Return a run's figures in the columns of the library."""
        return np.array([features.get(name, np.nan) for name in self.names])

    def scaled(self, values: Floats) -> Floats:
        """Return figures in spreads of healthy units: linear near them, logarithmic far off.

        Not-a-number stays what it is.
        """
        found: Floats = np.arcsinh((values - self.center) / self.spread)
        return found


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


def misfit(scaled: Floats, run: Floats) -> float:
    """Return by how much a run is outside what these units read: mean of its worst figures.

    One alone may be a slip, and a fault that shows in one reading shows in its check as well.
    """
    return float(np.sort(excess(scaled, run))[-_WORST:].mean())


def _own_misfits(scaled: Floats, suspects: NDArray[np.str_]) -> Floats:
    """Return the misfit of each unit with the others of its suspect."""
    found = np.zeros(len(scaled))
    for index, (row, own) in enumerate(zip(scaled, suspects, strict=True)):
        others = suspects == own
        others[index] = False
        if others.any():
            found[index] = misfit(scaled[others], row)
    return found


def suspect_shares(suspects: NDArray[np.str_], names: Sequence[str], weights: Floats) -> Floats:
    """Return the share of each suspect in the neighbours of a run."""
    return np.array([weights[suspects == name].sum() for name in names])


def _sharpness(forest: Forest, suspects: NDArray[np.str_], rows: Floats) -> float:
    """Return the power of a share that makes it a probability, by units their trees do not know.

    Trees spread their votes; how often the first is right, the library's own units tell. Source:
    the power of least logarithmic loss, as temperature scaling has it (Guo et al. 2017).
    """
    names = sorted(set(suspects.tolist()))
    votes = [forest.weights(row, without=index) for index, row in enumerate(rows)]
    shares = np.array([suspect_shares(suspects, names, each) for each in votes]) + FLOOR
    true = np.array([names.index(name) for name in suspects])
    losses = {}
    for power in np.arange(1.0, 5.01, 0.25):
        chances = shares**power
        chances /= chances.sum(axis=1, keepdims=True)
        losses[float(power)] = -float(np.log(chances[np.arange(len(true)), true]).mean())
    return min(losses, key=lambda power: losses[power])


def filled(scaled: Floats) -> Floats:
    """Return scaled figures with :data:`MISSING` where there is none, as trees take them."""
    return np.where(np.isfinite(scaled), scaled, MISSING)


def compiled(profile: Profile, members: Sequence[Member], *, seed: int = 1) -> Library:
    """Return the library of these units; they must have a healthy one among them."""
    names = tuple(sorted({name for one in members for name in one.features}))
    values = np.array([[one.features.get(name, np.nan) for name in names] for one in members])
    kinds = np.array([one.kind for one in members])
    counted = suspects_of(profile, tuple(dict.fromkeys(kinds.tolist())))
    suspects = np.array([counted[kind] for kind in kinds])
    center, spread = _healthy_figures(values, values[kinds == HEALTHY])
    noise = np.random.default_rng(seed).standard_normal(values.shape)
    displaced = values * (1.0 + _DESIGN_FRAC * noise)
    scaled, moved = (np.arcsinh((one - center) / spread) for one in (values, displaced))
    cold = [[one.cold.get(each.name, np.nan) for each in MEASUREMENTS] for one in members]
    forest = grown(filled(scaled), suspects, filled(moved), seed=seed)
    return Library(
        names=names,
        kinds=kinds,
        suspects=suspects,
        severity=np.array([one.severity for one in members]),
        passed=np.array([one.passed for one in members]),
        values=values,
        cold=np.array(cold),
        center=center,
        spread=spread,
        misfits=_own_misfits(scaled, suspects),
        sharpness=_sharpness(forest, suspects, filled(scaled)),
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
        spread[column] = max(0.5 * (high - low), least, 1e-12)
    return center, spread
