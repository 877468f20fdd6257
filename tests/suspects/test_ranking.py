"""Which suspects explain a run, and how far each has gone."""

from __future__ import annotations

import numpy as np
import pytest

from harness.qualify.unit_result import HEALTHY
from harness.suspects.digest import Feature
from harness.suspects.evidence import signs_of
from harness.suspects.library import Library
from harness.suspects.population import Member
from harness.suspects.ranking import Ranking, ranked


def chance(ranking: Ranking, name: str) -> float:
    """Return the probability of a suspect."""
    return next(one.probability for one in ranking.suspects if one.name == name)


class TestRanked:
    def test_units_it_does_not_know_are_named(self, library: Library, others: list[Member]) -> None:
        """A fresh unit's own fault comes first, for all but one in ten at most."""
        right = 0
        for one in others:
            right += ranked(library, one.features).suspects[0].name == one.kind

        assert right >= 0.9 * len(others)

    def test_probabilities_leave_room(self, library: Library, others: list[Member]) -> None:
        """Probabilities sum to one at most: what the library does not know has the rest."""
        for one in others:
            chances = [each.probability for each in ranked(library, one.features).suspects]
            assert 0.0 < sum(chances) <= 1.0 + 1e-9
            assert chances == sorted(chances, reverse=True)

    def test_the_story_counts(self, library: Library, others: list[Member]) -> None:
        """What the story makes likelier is likelier."""
        one = next(each for each in others if each.kind == "output-low")
        plain = ranked(library, one.features)
        told = ranked(library, one.features, prior={"shorted-input": 4.0})

        assert chance(told, "shorted-input") > 2.0 * chance(plain, "shorted-input")

    def test_unlike_anything(self, library: Library, members: list[Member]) -> None:
        """A run whose figures no unit has is unlike anything simulated, and no name is sure."""
        one = next(each for each in members if each.kind == HEALTHY)
        strange = {
            name: 3.0 * value if "current" in name else value
            for name, value in one.features.items()
        }
        ranking = ranked(library, strange)

        assert ranking.is_unlike
        assert sum(one.probability for one in ranking.suspects) < 0.95
        assert not ranked(library, one.features).is_unlike


class TestSeverity:
    def test_the_range_holds_the_true_one(self, library: Library, others: list[Member]) -> None:
        """How far a fault has gone lies in its range as a rule, and in the fault's own bounds."""
        held = []
        for one in others:
            first = ranked(library, one.features).suspects[0]
            if first.name != one.kind or first.severity is None:
                continue
            held.append(first.severity.low <= one.severity <= first.severity.high)
            assert first.severity.low <= first.severity.value <= first.severity.high

        assert len(held) >= 4
        assert np.mean(held) >= 0.5

    def test_none_without_degrees(self, library: Library, others: list[Member]) -> None:
        """A fault that is there or not has no severity."""
        one = next(each for each in others if each.kind == "open-fuse")

        assert ranked(library, one.features).suspects[0].severity is None


def test_what_speaks_for_a_low_output(library: Library, others: list[Member]) -> None:
    """The rail speaks for a low output, and against nothing wrong."""
    one = next(
        each
        for each in others
        if each.kind == "output-low"
        and each.severity
        == pytest.approx(max(m.severity for m in others if m.kind == "output-low"))
    )
    features = {name: Feature(value, "1") for name, value in one.features.items()}
    ranking = ranked(library, one.features)
    own = signs_of(library, ranking, "output-low", features)
    healthy = signs_of(library, ranking, HEALTHY, features)

    assert any("rail" in sign.figure or "voltage_dc" in sign.figure for sign in own.supporting)
    assert any("rail" in sign.figure or "voltage_dc" in sign.figure for sign in healthy.against)
