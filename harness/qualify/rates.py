"""The rates of a campaign: how each class ended, what caught it, what went through."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.profile.schema import Profile
from harness.qualify.bounds import Share, share
from harness.qualify.remedies import Remedy, lacking, out_of_reach
from harness.qualify.unit_result import HEALTHY, End, UnitResult

__all__ = ["ClassRates", "Miss", "Rates", "Spread", "rates_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """How a figure is distributed over units.

    Attributes:
        median: Half of the units lie below.
        most: 95 % lie below.
        highest: The highest of all.
    """

    median: float
    most: float
    highest: float

    @classmethod
    def of(cls, values: Sequence[float]) -> Spread | None:
        """Return the spread of some values, None of none."""
        if not values:
            return None
        ranked = sorted(values)
        last = len(ranked) - 1
        return cls(median=ranked[last // 2], most=ranked[int(0.95 * last)], highest=ranked[last])


@dataclass(frozen=True, kw_only=True, slots=True)
class ClassRates:
    """One class of units.

    Attributes:
        kind: ``healthy``, the name of a fault, or what a sum is called.
        units: Units of it.
        ends: Share of each way to end, with its 95 % bounds.
        caught: How many units each trip reason or check kept from release; one unit may count
            for several checks.
        duration_s: Time on the run's clock.
        charge_c: Charge through the fault path.
        energy_j: Energy in it.
        i2t_a2s: Integral of its squared current.
    """

    kind: str
    units: int
    ends: Mapping[End, Share]
    caught: Mapping[str, int]
    duration_s: Spread | None
    charge_c: Spread | None
    energy_j: Spread | None
    i2t_a2s: Spread | None

    @property
    def not_released(self) -> Share:
        """Share of units that were not released, for whatever reason."""
        return share(self.units - self.ends[End.RELEASED].count, self.units)

    @property
    def rejected_or_tripped(self) -> Share:
        """Share of units for which the run says that something is wrong with them."""
        return share(self.ends[End.REJECTED].count + self.ends[End.TRIPPED].count, self.units)


@dataclass(frozen=True, kw_only=True, slots=True)
class Miss:
    """A fault of which clearly faulty units were released.

    Attributes:
        kind: The fault.
        released: Share of clearly faulty units that were released.
        worst: Severities of up to five of them.
        remedies: What would find it.
    """

    kind: str
    released: Share
    worst: tuple[float, ...]
    remedies: tuple[Remedy, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Rates:
    """The rates of a campaign.

    Attributes:
        healthy: Healthy units.
        clear: All clearly faulty units, without those whose fault is out of the profile's reach.
        marginal: All other faulty units.
        faults: Clearly faulty units of each fault.
        border: Other faulty units of each fault that has some.
        misses: Faults of which clearly faulty units were released.
        beyond: Faults out of the profile's reach: it has no step in which they could show.
    """

    healthy: ClassRates
    clear: ClassRates
    marginal: ClassRates
    faults: tuple[ClassRates, ...]
    border: tuple[ClassRates, ...]
    misses: tuple[Miss, ...]
    beyond: frozenset[str]


def rates_of(profile: Profile, rows: Sequence[UnitResult]) -> Rates:
    """Return the rates of a campaign.

    Args:
        profile: Its profile.
        rows: Its rows.
    """
    kinds = dict.fromkeys(row.kind for row in rows if row.kind != HEALTHY)
    faults = tuple(_class(kind, rows, _clearly(kind)) for kind in kinds)
    beyond = frozenset(kind for kind in kinds if out_of_reach(profile, kind))
    border = tuple(_class(kind, rows, _hardly(kind)) for kind in kinds)
    return Rates(
        healthy=_class(HEALTHY, rows, lambda row: row.kind == HEALTHY),
        clear=_class("clearly faulty", rows, lambda row: row.clear and row.kind not in beyond),
        marginal=_class("marginal", rows, lambda row: row.kind != HEALTHY and not row.clear),
        faults=tuple(one for one in faults if one.units),
        border=tuple(one for one in border if one.units),
        misses=tuple(_misses(profile, rows, faults)),
        beyond=beyond,
    )


def _clearly(kind: str) -> Callable[[UnitResult], bool]:
    return lambda row: row.kind == kind and row.clear


def _hardly(kind: str) -> Callable[[UnitResult], bool]:
    return lambda row: row.kind == kind and not row.clear


def _class(
    kind: str, rows: Iterable[UnitResult], belongs: Callable[[UnitResult], bool]
) -> ClassRates:
    units = [row for row in rows if belongs(row)]
    ends = Counter(row.end for row in units)
    return ClassRates(
        kind=kind,
        units=len(units),
        ends={end: share(ends[end], len(units)) for end in End},
        caught=dict(Counter(name for row in units for name in row.caught_by).most_common()),
        duration_s=Spread.of([row.duration_s for row in units]),
        charge_c=Spread.of([row.charge_c for row in units]),
        energy_j=Spread.of([row.energy_j for row in units]),
        i2t_a2s=Spread.of([row.i2t_a2s for row in units]),
    )


def _misses(
    profile: Profile, rows: Sequence[UnitResult], faults: Iterable[ClassRates]
) -> Iterable[Miss]:
    for known in faults:
        released = known.ends[End.RELEASED]
        if not released.count:
            continue
        clear = [row for row in rows if row.kind == known.kind and row.clear]
        severities = [row.severity for row in clear if row.end is End.RELEASED]
        yield Miss(
            kind=known.kind,
            released=released,
            worst=tuple(severities[:5]),
            remedies=lacking(profile, known.kind),
        )
