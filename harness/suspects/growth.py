"""How a library grows: in turns over its classes, longer where these lie near each other or a run.

What is made next follows from the units there are alone, from the run that is asked about, and from
the time that is left.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.suspects.forest import Floats, grown
from harness.suspects.library import Table, filled, scaled_by, suspect_shares, unseen_shares
from harness.suspects.population import Member
from harness.suspects.stock import Stock

#: Trees that say which classes lie near each other: fewer than rank a run.
_TREES = 60
#: A unit is parted from others where trees that do not know it give its own suspect so many times
#: the votes of any other; a suspect is, where so many of its units are.
_APART, _PARTED_FRAC = 2.0, 0.9
#: Share of a run's neighbours that makes a suspect one that is near to it.
_NEAR_FRAC = 0.05
#: Units of a class in one turn.
_TURN = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Goal:
    """How far a library is to grow."""

    #: Units of each class without which there is no answer, whatever time they take.
    least: int
    #: Units of a class that is parted from all others, and of any other one.
    few: int
    most: int
    #: After so long no further unit is begun.
    time_s: float


#: A first answer, and a whole library: on two cores in some 15 s and 90 s, with the start of the
#: program and the growth of the trees, as far as the least units take no longer. From three units
#: of each class trees name the right suspect in 82 % (unit B, seeds 11 and 12), from six in 93 %.
FIRST = Goal(least=6, few=8, most=12, time_s=8.0)
WHOLE = Goal(least=6, few=12, most=24, time_s=75.0)


class Growth:
    """A library while it grows; units are numbered so that the classes take turns."""

    def __init__(
        self,
        stock: Stock,
        goal: Goal,
        done: Mapping[int, Member],
        *,
        run: Mapping[str, float] | None = None,
    ) -> None:
        """Begin with what is done, by number; whoever carries units out adds them there.

        Args:
            stock: What the units are made from.
            goal: How far the library is to grow.
            done: The units there are.
            run: Figures of the run that is asked about, by name; None: of none.
        """
        self._stock, self._goal, self._done, self._run = stock, goal, done, run
        self._kinds = stock.kinds
        #: How many units there are to be, as far as is known.
        self.wanted = goal.least * len(self._kinds)
        #: Whether it came to the goal, and not to the end of its time.
        self.is_complete = False

    def numbers(self, now_s: Callable[[], float]) -> Iterator[int]:
        """Yield the units to be carried out: what every answer needs, then as time allows."""
        until_s = now_s() + self._goal.time_s
        there = Counter(number % len(self._kinds) for number in self._unbroken())
        asked = [there[place] for place in range(len(self._kinds))]
        for place, turn in _turns(asked, [self._goal.least] * len(asked), self._goal.least):
            yield from self._lacking(place, turn)
            asked[place] = turn + 1
        while True:
            wanted = self._wanted()
            self.wanted = sum(wanted)
            turns = _turns(asked, wanted, _TURN)
            for place, turn in turns:
                if now_s() >= until_s:
                    return
                yield from self._lacking(place, turn)
                asked[place] = turn + 1
            if not turns:
                self.is_complete = True
                return

    def members(self) -> list[Member]:
        """Return the units done, in order, those of each class from its first one on."""
        return [self._done[number] for number in self._unbroken()]

    def _lacking(self, place: int, turn: int) -> Iterator[int]:
        """Yield a unit's number, unless it is done: a stop may have left out one before it."""
        number = turn * len(self._kinds) + place
        if number not in self._done:
            yield number

    def _unbroken(self) -> list[int]:
        found = []
        for first in range(len(self._kinds)):
            number = first
            while number in self._done:  # a stop may have left a gap
                found.append(number)
                number += len(self._kinds)
        return sorted(found)

    def _wanted(self) -> list[int]:
        told = targets(self._stock.profile, self.members(), self._goal, self._run)
        return [told.get(kind, self._goal.most) for kind in self._kinds]


def _turns(asked: Sequence[int], wanted: Sequence[int], most: int) -> list[tuple[int, int]]:
    """Return class and number in it of units to be made, so many of a class at most, in turns."""
    return [
        (place, count + step)
        for step in range(most)
        for place, count in enumerate(asked)
        if count + step < wanted[place]
    ]


def targets(
    profile: Profile, members: Sequence[Member], goal: Goal, run: Mapping[str, float] | None
) -> dict[str, int]:
    """Return how many units each class is worth.

    Few where it is parted from all others. Most where not, and of those it is taken for; of what is
    near the run; and of healthy units, by which all figures are scaled.

    Args:
        profile: Whose units they are.
        members: The units there are, some of each class.
        goal: How far the library is to grow.
        run: Figures of the run that is asked about, by name; None: of none.
    """
    table = Table.of(profile, members)
    rows, moved = filled(table.scaled), filled(table.displaced(seed=1))
    forest = grown(rows, table.suspects, moved, share=table.share, trees=_TREES)
    names = sorted(set(table.suspects.tolist()))
    shares = unseen_shares(forest, table.suspects, rows)
    asked = np.array([not one.passed for one in members])
    worth_most = _not_parted(table.suspects[asked], names, shares[asked]) | {HEALTHY}
    if run is not None:
        row = np.array([run.get(name, np.nan) for name in table.names])
        weights = forest.weights(filled(scaled_by(row, table.center, table.spread)))
        near = suspect_shares(table.suspects, names, weights)
        worth_most |= {name for name, share in zip(names, near, strict=True) if share >= _NEAR_FRAC}
    suspect_of = dict(zip(table.kinds.tolist(), table.suspects.tolist(), strict=True))
    # what no step of the profile can show counts as a healthy unit, and these are many already
    hidden = {kind for kind, suspect in suspect_of.items() if suspect == HEALTHY != kind}
    return {
        kind: goal.most if suspect in worth_most and kind not in hidden else goal.few
        for kind, suspect in suspect_of.items()
    }


def _not_parted(suspects: NDArray[np.str_], names: Sequence[str], shares: Floats) -> set[str]:
    """Return the suspects whose units are not parted from others, and those they are taken for.

    Of units whose run did not pass: that is when somebody asks. A mild fault that passed reads as a
    healthy unit however many there are.
    """
    every, true = np.arange(len(suspects)), np.searchsorted(names, suspects)
    others = shares.copy()
    others[every, true] = -1.0
    parted = shares[every, true] >= _APART * others[every, others.argmax(axis=1)]
    found = set()
    for place, name in enumerate(names):
        own = true == place
        if own.any() and parted[own].mean() < _PARTED_FRAC:
            rivals = others[own & ~parted].argmax(axis=1)
            found |= {name, *(names[rival] for rival in rivals.tolist())}
    return found
