"""The answer to what most likely explains a run, from a library at hand."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from harness.qualify.unit_result import HEALTHY
from harness.record.tables import Record
from harness.suspects.asked import is_narrow, passed, stock_at_hand
from harness.suspects.beside import second_faults
from harness.suspects.case import Case, case_of
from harness.suspects.digest import SIDE, TRIP
from harness.suspects.evidence import Signs, signs_found, signs_of
from harness.suspects.forest import Floats
from harness.suspects.hidden import hidden_words
from harness.suspects.kinds import Kind, kind_named, unseen
from harness.suspects.library import Library, excess
from harness.suspects.measuring import Found, Proposal, agreement, proposals, unit_chances
from harness.suspects.ranking import TOLD, Ranking, Suspect, ranked
from harness.suspects.shelf import Shelf

#: Least probability of a suspect that is told of.
_LEAST = 0.01
#: What is left of the chance that nothing is wrong, where a run failed as no such unit does: the
#: library is a model, and the limits may be (assumption).
_CONTRADICTED = 0.02
#: Least share of a suspect that a class of it has to be named still.
_LEFT_FRAC = 0.05
#: Share of a class that is beyond a limit where it is said to push there.
_PUSHES_FRAC = 0.5
#: Share of healthy units beyond a limit from which on tolerances alone are said to push there.
_TIGHT_FRAC = 0.05
#: Figures that are named where a run is unlike anything simulated.
_DIFFERENCES = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """One suspect with what is to be said of it."""

    suspect: Suspect
    #: Its classes that what was found without power leaves open, the likeliest first.
    left: tuple[Kind, ...]
    probability: float  # of these
    signs: Signs
    contradicted_by: tuple[Found, ...]  # what was found that none of its units reads
    #: Names of the parts it points at, as the unit file has them.
    parts: tuple[str, ...]
    #: Simulated units that stand for it.
    units: int


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
    folder: Path | None  # of the record
    released: bool
    passed: bool  # the run was completed and every check passed: the answer is a remark
    each: tuple[int, int]  # units of a class in the library: the fewest, and the most
    units: int  # of the library, all
    fingerprint: str  # SHA-256 of the library's figures
    found: tuple[Found, ...]  # what was measured without power
    ranking: Ranking
    told: tuple[Told, ...]
    #: What the readings point at most beside the first suspect, if there is a second fault.
    beside: tuple[Suspect, ...]
    #: Where the run is unlike anything simulated: in what it differs from the nearest.
    differs: tuple[str, ...]
    measure: tuple[Proposal, ...]  # the one worth most first
    pushes: tuple[Push, ...]
    unseen: tuple[str, ...]  # faults that no step of the profile can show, in words
    hidden: str  # what was not seen of this unit, and why; empty: the run saw all it can
    cautions: tuple[str, ...]

    @property
    def nothing_wrong(self) -> bool:
        """Whether nothing wrong is needed to explain the run."""
        return self.ranking.suspects[0].name == HEALTHY and not self.ranking.is_unlike


def answered(case: Case, library: Library, found: Sequence[Found] = ()) -> Answer:
    """Return what most likely explains a run, after what was found without power."""
    agreed = agreement(library, found)
    ranking = ranked(library, case.values, prior=case.prior, agreement=agreed)
    if contradicted(case, library):
        ranking = _without_healthy(ranking)
    shown = [one for one in ranking.suspects if one.probability >= _LEAST][:TOLD]
    chances = unit_chances(library, ranking, agreed)
    run = case.record.run
    return Answer(
        run_id=str(run["run_id"]),
        folder=case.record.folder,
        released=bool(run["released"]),
        passed=passed(case.record),
        each=library.each,
        units=len(library.kinds),
        fingerprint=fingerprint(library),
        found=tuple(found),
        ranking=ranking,
        told=tuple(
            Told(
                suspect=one,
                left=left,
                probability=one.probability * share,
                signs=signs_found(library, one.name, found)
                + signs_of(library, ranking, one.name, case.features),
                contradicted_by=tuple(
                    each for each in found if signs_found(library, one.name, [each]).against
                ),
                parts=_parts(case.parts, one),
                units=library.units_of(one.name),
            )
            for one in shown or ranking.suspects[:1]
            for left, share in [_left(library, one, chances, found)]
        ),
        # a result found without power comes from both faults: which one's it is nobody knows
        beside=() if found or passed(case.record) else second_faults(library, ranking),
        differs=_differs(library, ranking) if ranking.is_unlike else (),
        measure=proposals(library, ranking, found, agreed),
        pushes=tuple(_pushes(case, library)),
        unseen=tuple(kind_named(name).words for name in unseen(case.profile, set_of(library))),
        hidden=hidden_words(case.record, ranking),
        cautions=tuple(str(one) for one in run["cautions"]),
    )


def at_hand(record: Record, found: Sequence[Found] = ()) -> Answer | None:
    """Return what explains a run by a library at hand; None: there is none. Nothing is simulated.

    HarnessError: the record is no case.
    """
    stock = stock_at_hand(record)
    library = None if stock is None else Shelf.of(stock).library()
    return None if library is None else answered(case_of(record), library, found)


def contradicted(case: Case, library: Library) -> tuple[str, ...]:
    """Return what a run failed by that no unit of the library has to which nothing is wrong.

    A check whose value none of them reads, or a trip that none of them has: nearness in all other
    figures does not explain it away.
    """
    own = library.values[library.suspects == HEALTHY]
    columns = {name: own[:, index] for index, name in enumerate(library.names)}
    found = []
    for name, row in case.digest.checks.items():
        reads = columns.get(f"check {name}", np.array([]))
        there = reads[np.isfinite(reads)]
        if row.verdict == "fail" and len(there) and not there.min() <= row.value <= there.max():
            found.append(name)
    reason = case.digest.trip
    if reason and not np.isfinite(columns.get(TRIP + reason, np.array([]))).any():
        found.append(reason)
    return tuple(found)


def _without_healthy(ranking: Ranking) -> Ranking:
    """Return a ranking in which next to nothing speaks for a unit that is as it should be."""
    told = [
        replace(one, probability=one.probability * (_CONTRADICTED if one.name == HEALTHY else 1.0))
        for one in ranking.suspects
    ]
    before, after = (sum(one.probability for one in each) for each in (ranking.suspects, told))
    scaled = (replace(one, probability=one.probability * before / after) for one in told)
    return replace(ranking, suspects=tuple(sorted(scaled, key=lambda one: -one.probability)))


def fingerprint(library: Library) -> str:
    """Return the SHA-256 of what a library compares a run with: same figures, same answer."""
    told = hashlib.sha256("\n".join(library.names).encode())
    for array in (library.kinds, library.suspects, library.values, library.cold):
        told.update(array.tobytes())
    for array in library.forest.arrays().values():
        told.update(array.tobytes())
    return told.hexdigest()


def set_of(library: Library) -> tuple[str, ...]:
    """Return the classes of a library, in its order."""
    return tuple(dict.fromkeys(library.kinds.tolist()))


def _left(
    library: Library, suspect: Suspect, chances: Floats, found: Sequence[Found]
) -> tuple[tuple[Kind, ...], float]:
    """Return the classes of a suspect that are still open, and their share of it.

    No reading of the bench tells them apart; what is measured on a part may. Without anything
    found all of them are.
    """
    kinds = (suspect.kind, *suspect.merged)
    if not found:
        return kinds, 1.0
    shares = {one.name: float(chances[library.kinds == one.name].sum()) for one in kinds}
    whole = sum(shares.values())
    order = sorted(kinds, key=lambda one: -shares[one.name])
    left = tuple(one for one in order if shares[one.name] >= _LEFT_FRAC * whole)
    return left, sum(shares[one.name] for one in left) / whole


def _parts(parts: Mapping[str, tuple[str, ...]], suspect: Suspect) -> tuple[str, ...]:
    kinds = dict.fromkeys(kind for one in (suspect.kind, *suspect.merged) for kind in one.parts)
    return tuple(name for kind in kinds for name in parts.get(kind, ()))


def _differs(library: Library, ranking: Ranking) -> tuple[str, ...]:
    first = library.suspects == ranking.suspects[0].name
    outside = excess(library.scaled(library.values[first]), library.scaled(ranking.row))
    found: list[str] = []
    for column in np.argsort(-outside):
        figure = library.names[column].removeprefix("check ").removesuffix(SIDE)
        if figure in found:
            continue
        if outside[column] <= 0.0 or len(found) == _DIFFERENCES:
            break
        found.append(figure)
    return tuple(found)


def _pushes(case: Case, library: Library) -> Iterator[Push]:
    """Yield what passed narrowly or was not decided, with what the library has beyond it."""
    for name, row in case.digest.checks.items():
        narrow = is_narrow(row.verdict, row.margin, row.uncertainty)
        if row.verdict != "undecided" and not narrow:
            continue
        column = f"check {name}"
        if column not in library.names or not np.isfinite(row.value):
            continue
        low = -np.inf if row.low is None or np.isnan(row.low) else row.low
        high = np.inf if row.high is None or np.isnan(row.high) else row.high
        near_low = row.value - low < high - row.value
        values = library.values[:, library.names.index(column)]
        words = _pushing(library, values, low if near_low else high, below=near_low)
        yield Push(check=name, verdict=row.verdict, words=tuple(words))


def _pushing(library: Library, values: Floats, limit: float, *, below: bool) -> Iterator[str]:
    """Yield in words what pushes a check beyond a limit; empty where nothing of the library does.

    A fault that comes by degrees, most of whose units lie beyond, the nearest not further from the
    limit than a healthy unit on its other side: a dead unit is no explanation of a near miss.
    """
    there = np.isfinite(values)
    beyond = there & (values < limit if below else values > limit)
    healthy = there & (library.kinds == HEALTHY)
    if not healthy.any():
        return
    if beyond[healthy].mean() >= _TIGHT_FRAC:
        yield "tolerances alone: such a limit is close for a unit as it should be"
    reach = abs(limit - float(np.median(values[healthy])))
    for kind in set_of(library):
        own = there & (library.kinds == kind)
        if kind_named(kind).severity is None or not (own & beyond).any():
            continue
        nearest = float(np.abs(values[own & beyond] - limit).min())
        if beyond[own].mean() >= _PUSHES_FRAC and nearest <= reach:
            yield kind_named(kind).words
