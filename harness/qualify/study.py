"""A study of a profile: several seeds, and every law it rests on swept over its range."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from pydantic import TypeAdapter

from harness.profile.schema import Profile
from harness.qualify.bounds import Share, agreement, share
from harness.qualify.campaign import Campaign, Lot
from harness.qualify.population import Mix
from harness.qualify.rates import Rates, rates_of
from harness.qualify.unit_result import HEALTHY, End, UnitResult
from harness.rehearse.faults import FAULTS, faults_of_unit
from harness.rehearse.laws import LAWS, Laws


@dataclass(frozen=True, kw_only=True, slots=True)
class Size:
    """How many units a study has."""

    #: Of each fault, and healthy ones, under the usual laws; the seeds share them.
    faulty: int
    healthy: int
    #: The same under each end of a law; at most one seed's share of the above.
    swept: int
    swept_healthy: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Sweep:
    """One class of units at one end of a law, beside the same units under the usual laws."""

    #: Name of the fault, or ``healthy``.
    kind: str
    law: str
    value: float
    #: Clearly faulty units that were released; of healthy ones, those that were not.
    missed: Share
    usual: Share


@dataclass(frozen=True, kw_only=True, slots=True)
class Study:
    """What a study came to; small enough to keep."""

    #: Title of the profile.
    profile: str
    seeds: tuple[int, ...]
    #: Under the usual laws, all seeds together.
    rates: Rates
    #: What :class:`Sweep` counts as missed, for each seed.
    by_seed: Mapping[str, tuple[Share, ...]]
    sweeps: tuple[Sweep, ...]

    def worst(self, kind: str) -> Sweep | None:
        """Return the end of a law under which most of a class is missed.

        None where no law makes it worse than the usual ones, by the same units and by all.
        """
        seeds = self.by_seed.get(kind, ())
        count, total = (sum(getattr(one, name) for one in seeds) for name in ("count", "total"))
        usual_frac = count / total if total else 0.0
        worse = [
            one
            for one in self.sweeps
            if one.kind == kind and one.missed.frac > max(one.usual.frac, usual_frac)
        ]
        return max(worse, key=lambda one: one.missed.frac, default=None)

    def agrees_least(self) -> tuple[str, float]:
        """Return the class in which the seeds differ most, and the chance of that much."""
        chances = {kind: agreement(shares) for kind, shares in self.by_seed.items()}
        return min(chances.items(), key=lambda one: one[1])

    def to_json(self) -> str:
        """Return it as indented JSON."""
        return TypeAdapter(Study).dump_json(self, indent=1).decode() + "\n"

    @classmethod
    def from_json(cls, text: str) -> Study:
        """Return what :meth:`to_json` wrote; ValueError: it is none."""
        return TypeAdapter(Study).validate_json(text)


def lots_of(profile: Profile, seeds: Sequence[int], size: Size) -> tuple[Lot, ...]:
    """Return the lots of a study: first the usual laws by seed, then law after law.

    A law is swept over the faults that name it and over healthy units, with the first units of the
    first seed.
    """
    faults = faults_of_unit(profile.unit)
    each = len(seeds)
    lots = [
        lot
        for seed in seeds
        for lot in (
            Lot(units=size.faulty // each * len(faults), seed=seed, mix=Mix.FAULTY),
            Lot(units=size.healthy // each, seed=seed, mix=Mix.HEALTHY),
        )
    ]
    usual = Laws()
    for name, law in LAWS.items():
        touched = tuple(fault for fault in faults if name in FAULTS[fault].laws)
        if not touched and not law.is_assumed:
            continue
        for end in (law.least, law.most):
            if end == getattr(usual, name):
                continue
            laws = usual.but(name, end)
            if touched:
                lots.append(
                    Lot(
                        units=size.swept * len(touched),
                        seed=seeds[0],
                        faults=touched,
                        mix=Mix.FAULTY,
                        laws=laws,
                    )
                )
            lots.append(Lot(units=size.swept_healthy, seed=seeds[0], mix=Mix.HEALTHY, laws=laws))
    return tuple(lots)


def study_of(campaign: Campaign) -> Study:
    """Return what a campaign over :func:`lots_of` came to."""
    by_lot = list(zip(campaign.lots, campaign.rows_by_lot(), strict=True))
    base = [(lot.seed, rows) for lot, rows in by_lot if not lot.laws.unusual()]
    seeds = tuple(dict.fromkeys(seed for seed, _ in base))
    every = [row for _, rows in base for row in rows]
    # A unit's own seed says which it is, under any law.
    known = {(row.kind, row.seed): row for row in every}
    sweeps = []
    for lot, rows in by_lot:
        for (law, value), kind in product(
            lot.laws.unusual().items(), dict.fromkeys(row.kind for row in rows)
        ):
            units = [row for row in rows if row.kind == kind]
            same = [known[kind, row.seed] for row in units]
            sweeps.append(
                Sweep(
                    kind=kind,
                    law=law,
                    value=value,
                    missed=_missed(units),
                    usual=_missed(same),
                )
            )
    return Study(
        profile=campaign.profile.title,
        seeds=seeds,
        rates=rates_of(campaign.profile, every),
        by_seed={
            kind: tuple(
                _missed(
                    [row for seed, rows in base if seed == one for row in rows if row.kind == kind]
                )
                for one in seeds
            )
            for kind in dict.fromkeys(row.kind for row in every)
        },
        sweeps=tuple(sweeps),
    )


def _missed(rows: Sequence[UnitResult]) -> Share:
    """Count what a class should not have: healthy units held back, clearly faulty ones released."""
    judged = [row for row in rows if row.clear or row.kind == HEALTHY]
    missed = [row for row in judged if (row.end is End.RELEASED) != (row.kind == HEALTHY)]
    return share(len(missed), len(judged))
