"""Two faults at once: whether the readings show both at all, and how often both are named.

Each pair is carried out four times with the same unit, laws and instruments: with both faults, with
either one, with neither. What takes a fault away and changes no figure was never in the readings:
that bounds what any method can name.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from harness.profile.schema import Profile
from harness.rehearse.faults import faults_of
from harness.report.explained import percent
from harness.suspects.beside import second_faults
from harness.suspects.digest import TRIP
from harness.suspects.kinds import unseen
from harness.suspects.library import Library
from harness.suspects.population import Member
from harness.suspects.ranking import ranked

#: Pairs of faults, each a unit of its own.
PAIRS = 40
#: A fault is seen where a figure differs by more than so many spreads of healthy units.
APART = 2.0


@dataclass(frozen=True, slots=True)
class Both:
    """What came of units with two faults whose run was not passed."""

    #: By :class:`Sight` of the fault that is seen less.
    number: Counter[Sight]
    #: ... of these, those with both among four.
    found: Counter[Sight]


class Sight(StrEnum):
    """Why a fault is not seen beside another one, or that it is."""

    SEEN = "seen"
    ONE = "both count as one suspect"
    MILD = "shows nothing alone either"
    ENDED = "the run ended before"
    COVERED = "covered by the other"


def sight(library: Library, both: Member, other: Member, alone: Member, none: Member) -> Sight:
    """Return whether a fault is seen beside another one: same unit, same laws, same instruments.

    Args:
        library: Tells how far healthy units scatter.
        both: With both faults.
        other: With the other one only.
        alone: With this one only.
        none: With neither.
    """
    if _differ(library, both, other):
        return Sight.SEEN
    if not _differ(library, alone, none):
        return Sight.MILD
    ended = any(name.startswith(TRIP) for name in both.features)
    return Sight.ENDED if ended else Sight.COVERED


def _differ(library: Library, one: Member, other: Member) -> bool:
    """Whether any figure parts two runs by more than healthy units scatter."""
    rows = [library.row(each.features) for each in (one, other)]
    there = [np.isfinite(row) for row in rows]
    gaps = np.abs(rows[0] - rows[1]) / library.spread
    apart = (there[0] != there[1]) | (there[0] & there[1] & (gaps > APART))
    # how far readings scatter differs from hold to hold
    apart &= [not name.endswith("scatter") for name in library.names]
    return bool(apart.any())


def both_among_four(library: Library, sets: Sequence[Sequence[Member]]) -> Both:
    """Return how often both of two faults are among four: the first, two beside it, the next.

    Each set is of one unit: with both faults, the first alone, the second alone, and neither.
    """
    counts_as = dict(zip(library.kinds.tolist(), library.suspects.tolist(), strict=True))
    told = Both(Counter(), Counter())
    for both, first, second, none in sets:
        if both.passed:
            continue
        true = {counts_as[kind] for kind in both.kind.split("+")}
        sights = (
            sight(library, both, second, first, none),
            sight(library, both, first, second, none),
        )
        least = next((one for one in sights if one is not Sight.SEEN), Sight.SEEN)
        least = Sight.ONE if len(true) == 1 else least
        ranking = ranked(library, both.features)
        first_one, *rest = ranking.suspects
        four = dict.fromkeys(
            one.name for one in (first_one, *second_faults(library, ranking), *rest)
        )
        told.number[least] += 1
        told.found[least] += true <= set(list(four)[:4])
    return told


def in_words(told: Both) -> Iterator[str]:
    """Yield the lines of the table: of all, of those that are seen, and why the others are not."""
    total, seen = told.number.total(), told.number[Sight.SEEN]
    yield f"{percent(told.found.total() / total)} of {total}"
    yield f"{percent(told.found[Sight.SEEN] / seen)} of {seen}"
    hidden = (Sight.ENDED, Sight.COVERED, Sight.MILD)
    yield " / ".join(str(told.number[one]) for one in hidden)


def pairs_of(profile: Profile) -> list[tuple[str, ...]]:
    """Return the pairs of faults, each of which a step of the profile can show."""
    kinds = [k for k in faults_of(profile.unit.input.kind) if k not in unseen(profile, [k])]
    rng = random.Random(f"pairs {profile.source}")
    return [tuple(rng.sample(kinds, 2)) for _ in range(PAIRS)]
