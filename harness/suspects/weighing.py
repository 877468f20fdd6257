"""What further steps on the bench would tell of a run, by the very units its library has.

Power is never proposed where it is not known to be bearable: see :func:`withheld`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.api import plan_for
from harness.qualify.unit_result import HEALTHY
from harness.run.operator import StopRequest
from harness.suspects.answer import Answer
from harness.suspects.case import Case
from harness.suspects.digest import REACHED, TRIP
from harness.suspects.forest import Floats
from harness.suspects.further import FurtherStep, further_steps
from harness.suspects.kinds import kind_named
from harness.suspects.library import Library
from harness.suspects.measuring import LEAST_BITS, agreement, entropy, unit_chances, worth
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
#: Relabellings by which it is found what so few units would tell by chance alone.
_SHUFFLES = 24
#: Units of one class that differ by less are one, of a figure's own size.
_SAME_FRAC = 2e-3
#: After a trip it is measured before any power.
_FIRST = "resistance across input"
#: Rank correlation with a figure of the run from which on a further one tells the same, and the
#: fewest units by which that is known (assumption).
_KNOWN_FRAC, _FEWEST = 0.95, 6
_NAMED = 3
_MINUTE_S = 60.0

Names = NDArray[np.str_]


@dataclass(frozen=True, kw_only=True, slots=True)
class StepProposal:
    """A further step, with what its most telling figure would tell."""

    step: FurtherStep
    figure: str
    unit: str
    bits: float  # expected information of that figure
    work_min: float
    trips: float  # chance that it ends in a trip
    #: By class, the likeliest first: what its units read there, least and most.
    expected: tuple[tuple[str, float, float], ...]

    @property
    def worth(self) -> float:
        """Expected information for each minute of work, danger counted as work."""
        return worth(self.bits, self.work_min, self.step.danger)


def withheld(case: Case, library: Library, answer: Answer) -> str:
    """Say why no step under power is proposed; empty where nothing speaks against it.

    What was measured without power moves the chances, and so may what is withheld.
    """
    if answer.ranking.is_unlike:
        return "the run is unlike anything simulated, so nobody knows what power would do"
    chances = unit_chances(library, answer.ranking, agreement(library, answer.found))
    conducting = np.isin(library.kinds, sorted(NOT_AGAIN))
    # a class that no step of the profile can show reads as a healthy one: it did no harm there
    conducting &= library.suspects != HEALTHY
    if float(chances[conducting].sum()) > _BEARABLE_FRAC:
        likeliest = max(
            sorted(set(library.kinds[conducting].tolist())),
            key=lambda name: float(chances[library.kinds == name].sum()),
        )
        return f"{kind_named(likeliest).words} is among the suspects: not under power again"
    was_cut = case.record.run["outcome"] != "completed"
    if was_cut and not any(one.measurement.name == _FIRST for one in answer.found):
        return f"power was cut in this run: first of all {_FIRST}, discharged and cold"
    return ""


def weighed(
    case: Case,
    library: Library,
    answer: Answer,
    *,
    workers: int | None,
    on_progress: Callable[[int, int], None] = lambda _done, _all: None,
    stop: StopRequest | None = None,
) -> tuple[StepProposal, ...]:
    """Return the further steps that tell suspects apart, the one worth most first.

    Each is simulated with units of the library that the likeliest classes have, on the bench of the
    run; what is done is kept as a library is. Raises as :meth:`Shelf.units`.
    """
    stock = stock_for(case.profile, case.bench)
    chances = unit_chances(library, answer.ranking, agreement(library, answer.found))
    chosen = _chosen(library, chances)
    steps = list(further_steps(case.profile, case.bench))
    found = []
    for before, step in enumerate(steps):
        further = stock_for(step.profile, case.bench)
        numbers = _numbers(library, stock, further, chosen)

        def tell(done: int, of: int, before: int = before) -> None:
            on_progress(before * of + done, len(steps) * of)

        members = Shelf.of(further).units(
            list(numbers.values()), workers=workers, on_progress=tell, stop=stop
        )
        units = [(members[number], row) for row, number in numbers.items()]
        told = _told(case, step, units, chosen, library)
        if told is not None:
            found.append(told)
    return tuple(sorted(found, key=lambda one: -one.worth))


def _chosen(library: Library, chances: Floats) -> Mapping[int, float]:
    """Return rows of the library that stand for the likeliest classes, each with its chance."""
    names = _classes(library)
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


def _classes(library: Library) -> Names:
    """Return the class of each unit, all that nothing is wrong with as one."""
    return np.where(library.suspects == HEALTHY, HEALTHY, library.kinds)


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


def _told(
    case: Case,
    step: FurtherStep,
    units: Sequence[tuple[Member, int]],
    chosen: Mapping[int, float],
    library: Library,
) -> StepProposal | None:
    """Return what a step would tell by its most telling figure; None: too little, or a trip."""
    if not units:
        return None
    chances = np.array([chosen[row] for _, row in units])
    chances /= chances.sum()
    names = _classes(library)
    kinds = np.array([str(names[row]) for _, row in units])
    tripped = [any(name.startswith(TRIP) for name in one.features) for one, _ in units]
    trips = float(chances[np.array(tripped)].sum())
    if trips > _TRIPS_FRAC:
        return None
    best: tuple[float, str, Floats] | None = None
    for figure in _figures(case, [one for one, _ in units]):
        reads = np.array([one.features.get(figure, np.nan) for one, _ in units])
        if _is_known(reads, case, library, [row for _, row in units]):
            continue
        bits = information(reads, kinds, chances)
        if bits >= LEAST_BITS and (best is None or bits > best[0]):
            best = bits, figure, reads
    if best is None:
        return None
    bits, figure, reads = best
    holds_min = plan_for(step.profile, case.bench).duration_s / _MINUTE_S
    return StepProposal(
        step=step,
        figure=figure.removeprefix("check "),
        unit=_unit_of(figure),
        bits=bits,
        work_min=step.work_min + holds_min,
        trips=trips,
        expected=tuple(_expected(reads, kinds, chances)),
    )


def _figures(case: Case, members: Sequence[Member]) -> Iterator[str]:
    """Yield the figures that only the step has, those that a person reads at the bench."""
    for name in sorted({name for one in members for name in one.features}):
        # what the run itself has told is known already
        if name in case.features or name == REACHED or name.startswith((TRIP, "last hold")):
            continue
        if _unit_of(name):
            yield name


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


#: What a figure is given in, by the end of its name.
_UNITS = {
    ": voltage": "V",
    ": current": "A",
    ": power": "W",
    ": output": "V",
    ": ripple": "V",
    ".bulk_capacitance": "F",
    ".leakage_current": "A",
    ".series_resistance": "ohm",
    ".time_constant": "s",
    ".energy": "J",
}


def _unit_of(figure: str) -> str:
    """Return the unit of a figure; empty for one that says nothing by itself."""
    plain = figure.partition(" at ")[0]
    return next((unit for end, unit in _UNITS.items() if plain.endswith(end)), "")


def information(reads: Floats, kinds: Names, chances: Floats) -> float:
    """Return the expected information of a figure on the classes, in bits.

    Readings that units of one class scatter by are one. Few units seem to tell more than they do:
    what the same readings tell of classes that are dealt out anew is taken off (Lindley 1956; the
    correction by permutation is common practice).
    """
    cells = _cells(reads, kinds)
    rng = np.random.default_rng(1)
    chance = [_bits(cells[rng.permutation(len(cells))], kinds, chances) for _ in range(_SHUFFLES)]
    return max(0.0, float(_bits(cells, kinds, chances)) - float(np.mean(chance)))


def _cells(reads: Floats, kinds: Names) -> Floats:
    there = np.isfinite(reads)
    if not there.any():
        return np.zeros(len(reads))
    scatters = [
        float(np.std(reads[there & (kinds == name)]))
        for name in set(kinds.tolist())
        if (there & (kinds == name)).sum() > 1
    ]
    usual = float(np.median(np.abs(reads[there])))
    width = max(4.0 * float(np.median(scatters or [0.0])), _SAME_FRAC * usual, 1e-12)
    cells: Floats = np.where(there, np.round(reads / width), np.inf)
    return cells


def _bits(cells: Floats, kinds: Names, chances: Floats) -> float:
    by_kind = np.array([kinds == name for name in sorted(set(kinds.tolist()))])
    after = 0.0
    for cell in np.unique(cells):
        inside = by_kind @ np.where(cells == cell, chances, 0.0)
        after += inside.sum() * entropy(inside / inside.sum())
    return entropy(by_kind @ chances) - after


def _expected(reads: Floats, kinds: Names, chances: Floats) -> Iterator[tuple[str, float, float]]:
    totals = {name: float(chances[kinds == name].sum()) for name in sorted(set(kinds.tolist()))}
    for name in sorted(totals, key=lambda name: -totals[name])[:_NAMED]:
        own = reads[(kinds == name) & np.isfinite(reads)]
        if len(own):
            yield name, float(own.min()), float(own.max())
