"""A library grows where units tell most, and ends in time."""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.suspects.growth import Goal, Growth
from harness.suspects.population import Member

#: Classes by what their units read: two lie far from all others, two where each other lie.
READS = {HEALTHY: 0.0, "open-fuse": 1e3, "no-start": -1e3, "output-low": 50.0, "output-high": 50.0}
KINDS = tuple(READS)
GOAL = Goal(least=3, few=6, most=15, time_s=10.0)


def _member(number: int) -> Member:
    """Return a unit by its number: it reads what its class does, give or take one."""
    rng = random.Random(number)
    kind = KINDS[number % len(KINDS)]
    figures = {name: READS[kind] + rng.gauss(0.0, 1.0) for name in ("one", "other")}
    return Member(kind=kind, severity=math.nan, passed=False, features=figures, cold={})


def _grow(profile: Profile, done: dict[int, Member], times: Iterator[float], **more: Any) -> Growth:
    """Let a library grow on what is done, each unit as it is asked for."""
    stock: Any = SimpleNamespace(kinds=KINDS, profile=profile)
    growth = Growth(stock, GOAL, done, **more)
    for number in growth.numbers(lambda: next(times)):
        assert number not in done
        done[number] = _member(number)
    return growth


def _counts(growth: Growth) -> dict[str, int]:
    return dict(Counter(one.kind for one in growth.members()))


@pytest.fixture
def no_time_passes() -> Iterator[float]:
    """Return a clock that stands still."""
    return iter(lambda: 0.0, 1.0)


def test_longer_where_classes_lie_near_each_other(
    profile: Profile, no_time_passes: Iterator[float]
) -> None:
    """What is parted from all others has few units; what is not has most, and healthy ones too."""
    growth = _grow(profile, {}, no_time_passes)

    assert growth.is_complete
    counts = _counts(growth)
    assert {kind for kind, count in counts.items() if count == GOAL.most} == {
        *(HEALTHY, "output-low", "output-high"),
    }
    assert min(counts.values()) >= GOAL.few


def test_longer_near_the_run(profile: Profile, no_time_passes: Iterator[float]) -> None:
    """What the run that is asked about is near to has most units."""
    growth = _grow(profile, {}, no_time_passes, run={"one": 1e3, "other": 1e3})

    assert _counts(growth)["open-fuse"] == 15
    assert _counts(growth)["no-start"] < 15


def test_ends_in_time(profile: Profile) -> None:
    """Once its time is over no unit is begun, but each class has its least."""
    over = iter([0.0, *[GOAL.time_s] * 99])
    growth = _grow(profile, {}, over)

    assert not growth.is_complete
    assert _counts(growth) == dict.fromkeys(KINDS, GOAL.least)


def test_goes_on_where_it_was(profile: Profile, no_time_passes: Iterator[float]) -> None:
    """Units that are there are not asked for again; one that a stop left out is."""
    done = {number: _member(number) for number in range(12) if number != 6}
    growth = _grow(profile, done, no_time_passes)

    assert 6 in done
    assert growth.is_complete
