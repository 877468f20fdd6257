"""The rates of a campaign: how each class ended, what caught it, what went through."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from harness.profile.schema import Profile
from harness.qualify.bounds import Share, share
from harness.qualify.unit_result import HEALTHY, End, UnitResult
from harness.rehearse.faults import FAULTS


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """How a figure is distributed over units."""

    median: float
    most: float  #: 95 % lie below.
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
    """One class of units; the spreads are of the time on the run's clock and of the fault path."""

    #: ``healthy``, the name of a fault, or what a sum is called.
    kind: str
    units: int
    #: With 95 % bounds.
    ends: Mapping[End, Share]
    #: Units that each trip reason or check kept from release; one unit may count for several.
    caught: Mapping[str, int]
    duration_s: Spread | None
    charge_c: Spread | None
    energy_j: Spread | None
    i2t_a2s: Spread | None

    @property
    def released(self) -> Share:
        """Share of units that were released."""
        return self.ends[End.RELEASED]

    @property
    def not_released(self) -> Share:
        """Share of units that were not released, for whatever reason."""
        return share(self.units - self.released.count, self.units)


@dataclass(frozen=True, kw_only=True, slots=True)
class Miss:
    """A fault of which clearly faulty units were released."""

    kind: str
    #: Of the clearly faulty units.
    released: Share
    #: Severities of the mildest and the worst of them; None where it is there or it is not.
    between: tuple[float, float] | None
    #: What would find it in a profile, in words.
    remedies: tuple[str, ...]
    #: What shows it on the part or unit by itself.
    shown_by: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Rates:
    """The rates of a campaign; no fault is left out of a sum."""

    healthy: ClassRates
    #: All faulty units, clearly so or not.
    faulty: ClassRates
    clear: ClassRates
    marginal: ClassRates
    #: Clearly faulty units, and the others, of each fault that has some.
    faults: tuple[ClassRates, ...]
    border: tuple[ClassRates, ...]
    misses: tuple[Miss, ...]
    #: Faults that no step of the profile can show.
    beyond: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Summary:
    """What a campaign came to; small enough to keep."""

    #: Titles; None where the units were not drawn around a unit model.
    profile: str
    unit_model: str | None
    units: int
    seed: int
    #: Numbers of the laws that were not at their usual ones.
    laws: Mapping[str, float]
    rates: Rates

    def to_json(self) -> str:
        """Return it as indented JSON."""
        return TypeAdapter(Summary).dump_json(self, indent=1).decode() + "\n"

    def as_plain(self) -> dict[str, Any]:
        """Return it as JSON takes it."""
        told: dict[str, Any] = TypeAdapter(Summary).dump_python(self, mode="json")
        return told

    @classmethod
    def from_json(cls, text: str) -> Summary:
        """Return what :meth:`to_json` wrote; ValueError: it is none."""
        return TypeAdapter(Summary).validate_json(text)


def rates_of(profile: Profile, rows: Sequence[UnitResult]) -> Rates:
    """Return the rates of a campaign over a profile."""
    kinds = tuple(dict.fromkeys(row.kind for row in rows if row.kind != HEALTHY))
    clear = {kind: [row for row in rows if row.kind == kind and row.clear] for kind in kinds}
    marginal = {kind: [row for row in rows if row.kind == kind and not row.clear] for kind in kinds}
    return Rates(
        healthy=_class(HEALTHY, [row for row in rows if row.kind == HEALTHY]),
        faulty=_class("all faulty", [row for row in rows if row.kind != HEALTHY]),
        clear=_class("all clearly faulty", [row for units in clear.values() for row in units]),
        marginal=_class("marginal", [row for units in marginal.values() for row in units]),
        faults=tuple(_class(kind, units) for kind, units in clear.items() if units),
        border=tuple(_class(kind, units) for kind, units in marginal.items() if units),
        misses=tuple(
            _miss(profile, kind, units)
            for kind, units in clear.items()
            if any(row.end is End.RELEASED for row in units)
        ),
        beyond=tuple(
            kind for kind in kinds if kind in FAULTS and FAULTS[kind].out_of_reach(profile)
        ),
    )


def _class(kind: str, units: Sequence[UnitResult]) -> ClassRates:
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


def _miss(profile: Profile, kind: str, clear: Sequence[UnitResult]) -> Miss:
    released = [row for row in clear if row.end is End.RELEASED]
    fault = FAULTS[kind]
    between = None
    if fault.severity is not None:
        ranked = sorted((row.severity for row in released), key=fault.severity.place_of)
        between = (ranked[0], ranked[-1])
    return Miss(
        kind=kind,
        released=share(len(released), len(clear)),
        between=between,
        remedies=tuple(map(str, fault.lacking(profile))),
        shown_by=fault.shown_by,
    )
