"""The answer to what most likely explains a run, from a library at hand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.qualify.unit_result import HEALTHY
from harness.record.tables import Record
from harness.suspects.case import Case, case_of
from harness.suspects.evidence import Signs, signs_of
from harness.suspects.kinds import kind_named, unseen
from harness.suspects.library import Library, Shelf, excess, stock_for
from harness.suspects.measuring import Found, Proposal, agreement, proposals
from harness.suspects.ranking import TOLD, Ranking, Suspect, ranked

#: Least probability of a suspect that is told of.
_LEAST = 0.01
#: A check that passed by less than so many of its uncertainties passed narrowly.
_NARROW = 1.0
#: Share of a class that is beyond a limit where it is said to push there.
_PUSHES_FRAC = 0.5
#: Figures that are named where a run is unlike anything simulated.
_DIFFERENCES = 3
#: The one sentence that stands under every answer.
CAUTION = "Measure, discharged and cold, before you touch: a ranking proves nothing of any part."


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """One suspect with what is to be said of it."""

    suspect: Suspect
    signs: Signs
    #: Names of the parts it points at, as the unit file has them.
    parts: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Push:
    """A check that passed narrowly or was not decided, and what would push it beyond."""

    check: str
    verdict: str
    words: tuple[str, ...]  # of the faults


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What most likely explains a run."""

    run_id: str
    released: bool  # every check passed, and the run releases
    each: int  # units of each class in the library
    ranking: Ranking
    told: tuple[Told, ...]
    #: Where the run is unlike anything simulated: in what it differs from the nearest.
    differs: tuple[str, ...]
    measure: tuple[Proposal, ...]  # the one worth most first
    pushes: tuple[Push, ...]
    unseen: tuple[str, ...]  # faults that no step of the profile can show, in words
    cautions: tuple[str, ...]

    @property
    def nothing_wrong(self) -> bool:
        """Whether nothing wrong is needed to explain the run."""
        return self.ranking.suspects[0].name == HEALTHY and not self.ranking.is_unlike


def answered(case: Case, library: Library, found: Sequence[Found] = ()) -> Answer:
    """Return what most likely explains a run, after what was found without power."""
    agreed = agreement(library, found)
    ranking = ranked(library, case.values, prior=case.prior, agreement=agreed)
    shown = [one for one in ranking.suspects if one.probability >= _LEAST][:TOLD]
    run = case.record.run
    return Answer(
        run_id=str(run["run_id"]),
        released=bool(run["released"]),
        each=library.each,
        ranking=ranking,
        told=tuple(
            Told(
                suspect=one,
                signs=signs_of(library, ranking, one.name, case.features),
                parts=_parts(case.parts, one),
            )
            for one in shown or ranking.suspects[:1]
        ),
        differs=_differs(library, ranking) if ranking.is_unlike else (),
        measure=proposals(library, ranking, found, agreed),
        pushes=tuple(_pushes(case, library)),
        unseen=tuple(kind_named(name).words for name in unseen(case.profile, set_of(library))),
        cautions=tuple(str(one) for one in run["cautions"]),
    )


def at_hand(record: Record) -> Answer | None:
    """Return what explains a run by a library at hand; None: there is none. Nothing is simulated.

    HarnessError: the record is no case.
    """
    case = case_of(record)
    library = Shelf.of(stock_for(case.profile, case.bench)).library()
    return None if library is None else answered(case, library)


def set_of(library: Library) -> tuple[str, ...]:
    """Return the classes of a library, in its order."""
    return tuple(dict.fromkeys(library.kinds.tolist()))


def _parts(parts: Mapping[str, tuple[str, ...]], suspect: Suspect) -> tuple[str, ...]:
    kinds = dict.fromkeys(kind for one in (suspect.kind, *suspect.merged) for kind in one.parts)
    return tuple(name for kind in kinds for name in parts.get(kind, ()))


def _differs(library: Library, ranking: Ranking) -> tuple[str, ...]:
    first = library.suspects == ranking.suspects[0].name
    outside = excess(library.scaled(library.values[first]), library.scaled(ranking.row))
    found: list[str] = []
    for column in np.argsort(-outside):
        figure = library.names[column].removeprefix("check ")
        if outside[column] <= 0.0 or len(found) == _DIFFERENCES:
            break
        found.append(figure)
    return tuple(found)


def _pushes(case: Case, library: Library) -> Iterator[Push]:
    """Yield what passed narrowly or was not decided, with what the library has beyond it."""
    for name, row in case.digest.checks.items():
        narrow = row.verdict == "pass" and row.margin < _NARROW * row.uncertainty
        if row.verdict != "undecided" and not narrow:
            continue
        column = f"check {name}"
        if column not in library.names:
            continue
        low = -np.inf if row.low is None or np.isnan(row.low) else row.low
        high = np.inf if row.high is None or np.isnan(row.high) else row.high
        near_low = row.value - low < high - row.value
        values = library.values[:, library.names.index(column)]
        beyond = values < low if near_low else values > high
        words = []
        for kind in set_of(library):
            own = (library.kinds == kind) & np.isfinite(values)
            if kind != HEALTHY and own.any() and beyond[own].mean() >= _PUSHES_FRAC:
                words.append(kind_named(kind).words)
        yield Push(check=name, verdict=row.verdict, words=tuple(words))
