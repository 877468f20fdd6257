"""What further steps on the bench would tell of a run, by the very units its library has.

Power is never proposed where it is not known to be bearable: see :func:`withheld`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.api import plan_for
from harness.profile.measures import MEASURES
from harness.profile.plan import Plan
from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.run.operator import StopRequest
from harness.suspects.answer import Answer
from harness.suspects.case import Case
from harness.suspects.digest import REACHED, TRIP
from harness.suspects.forest import Floats
from harness.suspects.further import FurtherStep, further_steps
from harness.suspects.information import Names, information, totals
from harness.suspects.kinds import kind_named, unseen
from harness.suspects.library import Library
from harness.suspects.measuring import (
    LEAST_BITS,
    Proposal,
    agreement,
    entropy,
    unit_chances,
    worth,
)
from harness.suspects.population import Member, draw
from harness.suspects.shelf import Shelf
from harness.suspects.stock import Stock, stock_for

#: Classes through which a supply drives current into a fault, or the wrong way round, or more
#: voltage onto a capacitor than it bears: such a unit is not energised again to learn more of it.
NOT_AGAIN = frozenset(
    {
        *("shorted-input", "shorted-varistor", "shorted-switch", "shorted-bridge-diode"),
        *("switch-breakdown", "leaky-bulk-capacitor", "leaky-varistor", "boost-voltage-high"),
        *("bench-supply-leads-swapped",),
    }
)
#: Most that all of these together may have for a step under power to be proposed (assumption).
_BEARABLE_FRAC = 0.05
#: Most that a step may be expected to end in a trip (assumption): a trip is for what nobody knew.
_TRIPS_FRAC = 0.2
#: Classes that are told apart, units of each, and the least chance of a class that is simulated.
_CLASSES, _EACH, _LEAST_FRAC = 5, 6, 0.02
#: After a trip it is measured before any power.
_FIRST = "resistance across input"
#: Rank correlation with a figure of the run from which on a further one tells the same, and the
#: fewest units by which that is known (assumption).
_KNOWN_FRAC, _FEWEST = 0.95, 6
_NAMED = 3
#: Steps that are told of: one that cannot come among them is not simulated.
_MOST = 2
_MINUTE_S = 60.0
#: What a person is asked, as a figure: yes or no.
_ASKED = "operator.yes_no"


@dataclass(frozen=True, kw_only=True, slots=True)
class StepProposal(Proposal):
    """A further step, with what its most telling figure would tell."""

    figure: str
    trips: float  # chance that it ends in a trip
    profile: str  # as a file: to be looked at, planned, rehearsed and run as any other


def withheld(case: Case, library: Library, answer: Answer) -> str:
    """Say why no step under power is proposed; empty where nothing speaks against it.

    What was measured without power moves the chances, and so may what is withheld.
    """
    if answer.ranking.is_unlike:
        return "the run is unlike anything simulated, so nobody knows what power would do"
    chances = unit_chances(library, answer.ranking, agreement(library, answer.found))
    if likeliest := _among(library, chances, NOT_AGAIN):
        return f"{kind_named(likeliest).words} is among the suspects: not under power again"
    was_cut = case.record.run["outcome"] != "completed"
    if was_cut and not any(one.measurement.name == _FIRST for one in answer.found):
        return f"power was cut in this run: first of all {_FIRST}, discharged and cold"
    return ""


def _among(library: Library, chances: Floats, kinds: frozenset[str]) -> str:
    """Return the likeliest of some classes, empty where all together are next to nothing.

    One that no step of the profile can show reads as a healthy one: it did no harm there.
    """
    rows = np.isin(library.kinds, sorted(kinds)) & (library.suspects != HEALTHY)
    if float(chances[rows].sum()) <= _BEARABLE_FRAC:
        return ""
    names: list[str] = sorted(set(library.kinds[rows].tolist()))
    return max(names, key=lambda name: float(chances[library.kinds == name].sum()))


def weighed(
    case: Case,
    library: Library,
    answer: Answer,
    *,
    workers: int | None,
    also: Sequence[Profile] = (),
    on_progress: Callable[[int, int], None] = lambda _done, _all: None,
    stop: StopRequest | None = None,
) -> tuple[StepProposal, ...]:
    """Return the further steps that tell suspects apart, the one worth most first.

    Each is simulated with units of the library that the likeliest classes have, on the bench of the
    run; what is done is kept as a library is. A step that would be worth less than those told of,
    even if it told everything, is left out: so an hour is simulated only where nothing shorter
    tells. ``also`` are profiles of the user's own, as :func:`further_steps` takes them.

    Raises:
        UsageError: As :func:`further_steps`.
        HarnessError: As :meth:`Shelf.units`.
        Interrupted: As there.
    """
    stock = stock_for(case.profile, case.bench)
    chances = unit_chances(library, answer.ranking, agreement(library, answer.found))
    steps = [
        _Weighing.of(case, step, library, chances)
        for step in further_steps(case.profile, case.bench, also)
        if not _among(library, chances, step.never_with)
    ]
    steps = sorted(
        (one for one in steps if one.bits_at_most >= LEAST_BITS),
        key=lambda one: -one.worth_at_most,
    )
    found: list[StepProposal] = []
    for before, one in enumerate(steps):
        if len(found) >= _MOST and found[_MOST - 1].worth >= one.worth_at_most:
            break
        further = stock_for(one.step.profile, case.bench)
        numbers = _numbers(library, stock, further, one.chosen)

        def tell(done: int, of: int, before: int = before) -> None:
            on_progress(before * of + done, len(steps) * of)

        members = Shelf.of(further).units(
            list(numbers.values()), workers=workers, on_progress=tell, stop=stop
        )
        told = one.told(case, library, [(members[n], row) for row, n in numbers.items()])
        if told is not None:
            found = sorted((*found, told), key=lambda each: -each.worth)
    on_progress(1, 1)
    return tuple(found[:_MOST])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Weighing:
    """One step that is weighed: its plan, and the units of the library that stand for classes."""

    step: FurtherStep
    plan: Plan
    names: Names  # by unit of the library: the class that it counts as here
    chosen: Mapping[int, float]  # rows of the library, each with its chance

    @classmethod
    def of(cls, case: Case, step: FurtherStep, library: Library, chances: Floats) -> _Weighing:
        """Return a step with the units it is to be weighed by."""
        names = _classes(library, step.profile)
        return cls(
            step=step,
            plan=plan_for(step.profile, case.bench),
            names=names,
            chosen=_chosen(names, chances),
        )

    @property
    def work_min(self) -> float:
        """Work with the holds."""
        return self.step.work_min + self.plan.duration_s / _MINUTE_S

    @property
    def bits_at_most(self) -> float:
        """Expected information if it told everything: what is not known of the classes."""
        rows = list(self.chosen)
        return entropy(totals(self.names[rows], np.array(list(self.chosen.values()))))

    @property
    def worth_at_most(self) -> float:
        """What it would be worth then."""
        return worth(self.bits_at_most, self.work_min, self.step.danger)

    def told(
        self, case: Case, library: Library, units: Sequence[tuple[Member, int]]
    ) -> StepProposal | None:
        """Return what it would tell by its best figure; None: too little, or a trip."""
        if not units:
            return None
        rows = [row for _, row in units]
        chances = np.array([self.chosen[row] for row in rows])
        chances /= chances.sum()
        kinds = self.names[rows]
        tripped = [any(name.startswith(TRIP) for name in one.features) for one, _ in units]
        trips = float(chances[np.array(tripped)].sum())
        if trips > _TRIPS_FRAC:
            return None
        best: tuple[float, str, Floats] | None = None
        for figure in self._figures(case, [one for one, _ in units]):
            reads = np.array([one.features.get(figure, np.nan) for one, _ in units])
            if _is_known(reads, case, library, rows):
                continue
            bits = information(reads, kinds, chances)
            if bits >= LEAST_BITS and (best is None or bits > best[0]):
                best = bits, figure, reads
        if best is None:
            return None
        bits, figure, reads = best
        return StepProposal(
            name=self.step.name,
            how=self.step.how,
            unit=self._unit_of(figure) or "",
            work_min=self.work_min,
            danger=self.step.danger,
            bits=bits,
            expected=tuple(_expected(reads, kinds, chances)),
            figure=figure.removeprefix("check "),
            trips=trips,
            profile=self.step.profile.text,
        )

    def _figures(self, case: Case, members: Sequence[Member]) -> Iterator[str]:
        """Yield the figures that only the step has, those that a person reads at the bench."""
        for name in sorted({name for one in members for name in one.features}):
            # what the run itself has told is known already
            if name in case.features or name == REACHED or name.startswith((TRIP, "last hold")):
                continue
            if self._unit_of(name) is not None:
                yield name

    def _unit_of(self, figure: str) -> str | None:
        """Return the unit of a figure, empty for a question; None: it says nothing by itself."""
        plain = figure.partition(" at ")[0]
        for planned in self.plan.steps:
            for check in planned.checks:
                if plain == f"check {planned.name}: {check.name}":
                    return "" if check.measure == _ASKED else check.unit
        if plain in MEASURES:
            return MEASURES[plain].unit
        return next((unit for end, unit in _READ.items() if plain.endswith(end)), None)


def _chosen(names: Names, chances: Floats) -> Mapping[int, float]:
    """Return rows of the library that stand for the likeliest classes, each with its chance."""
    totals = {name: float(chances[names == name].sum()) for name in sorted(set(names.tolist()))}
    likeliest = sorted(totals, key=lambda name: -totals[name])[:_CLASSES]
    found: dict[int, float] = {}
    for name in likeliest:
        if totals[name] < _LEAST_FRAC:
            continue
        own = np.flatnonzero(names == name)
        own = own[np.argsort(-chances[own], kind="stable")][:_EACH]
        share = chances[own] / chances[own].sum()
        found |= {int(row): totals[name] * float(one) for row, one in zip(own, share, strict=True)}
    total = sum(found.values())
    return {row: one / total for row, one in found.items()}


def _classes(library: Library, profile: Profile) -> Names:
    """Return the class of each unit, all as one that this profile shows nothing wrong with.

    What the profile of the run could not show, it may.
    """
    hidden = np.isin(library.kinds, unseen(profile, tuple(set(library.kinds.tolist()))))
    return np.where(hidden & (library.suspects == HEALTHY), HEALTHY, library.kinds)


def _numbers(
    library: Library, stock: Stock, further: Stock, chosen: Mapping[int, float]
) -> dict[int, int]:
    """Return the number of each chosen unit in the stock of a further step, by its row.

    Classes take turns in a library. A unit that is drawn anew must be the very same one.
    """
    found = {}
    for row in chosen:
        kind = str(library.kinds[row])
        place = int((library.kinds[:row] == kind).sum())
        severity = draw(stock, kind, place).drawn.severity
        same = severity == library.severity[row] or math.isnan(severity)
        if same and kind in further.kinds:
            found[row] = place * len(further.kinds) + further.kinds.index(kind)
    return found


def _is_known(reads: Floats, case: Case, library: Library, rows: Sequence[int]) -> bool:
    """Whether a figure goes along with one that the run has: it would only be read once more."""
    there = np.isfinite(reads)
    for column, name in enumerate(library.names):
        known = library.values[rows, column]
        both = there & np.isfinite(known)
        if name not in case.features or both.sum() < max(_FEWEST, 0.9 * there.sum()):
            continue
        one, other = (np.argsort(np.argsort(each[both])) for each in (reads, known))
        if abs(float(np.corrcoef(one, other)[0, 1])) > _KNOWN_FRAC:
            return True
    return False


#: What is read in each hold, by the end of its name.
_READ = {": voltage": "V", ": current": "A", ": power": "W"}


def _expected(reads: Floats, kinds: Names, chances: Floats) -> Iterator[tuple[str, float, float]]:
    totals = {name: float(chances[kinds == name].sum()) for name in sorted(set(kinds.tolist()))}
    for name in sorted(totals, key=lambda name: -totals[name])[:_NAMED]:
        own = reads[(kinds == name) & np.isfinite(reads)]
        if len(own):
            yield name, float(own.min()), float(own.max())
