"""Which measurement tells most, and what its result says."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from harness.errors import UsageError
from harness.suspects.cold import MEASUREMENTS, OPEN_OHM
from harness.suspects.library import Library
from harness.suspects.measuring import Found, agreement, proposals
from harness.suspects.population import Member
from harness.suspects.ranking import Ranking, ranked


def _even(library: Library) -> Ranking:
    """A ranking in which every suspect is as likely as any other."""
    ranking = ranked(library, {})
    chance = 1.0 / len(ranking.suspects)
    even = tuple(dataclasses.replace(one, probability=chance) for one in ranking.suspects)
    return dataclasses.replace(ranking, suspects=even, weights=np.zeros(len(library.kinds)))


def _chance(ranking: Ranking, name: str) -> float:
    return next(one.probability for one in ranking.suspects if one.name == name)


class TestProposals:
    def test_expected_information_of_a_plain_case(self, library: Library) -> None:
        """One suspect in five reads another value than four: that tells 0.722 bit (Lindley 1956).

        Source: entropy of (1/5, 4/5), log2(5) - (4/5) log2(4).
        """
        column = [one.name for one in MEASUREMENTS].index("leads as they should be")
        cold = library.cold.copy()
        cold[:, column] = np.where(library.suspects == "open-fuse", 0.0, 1.0)
        told = {
            one.name: one.bits
            for one in proposals(dataclasses.replace(library, cold=cold), _even(library))
        }

        assert told["leads as they should be"] == pytest.approx(0.7219, abs=1e-3)

    def test_what_scatters_alike_tells_next_to_nothing(self, library: Library) -> None:
        """Readings of all classes within the same two decades part none, few as the units are."""
        column = [one.name for one in MEASUREMENTS].index("resistance across input")
        rng = np.random.default_rng(5)
        cold = library.cold.copy()
        cold[:, column] = 10.0 ** rng.uniform(4.0, 6.0, len(cold))
        told = {
            one.name: one.bits
            for one in proposals(dataclasses.replace(library, cold=cold), _even(library))
        }

        # of 2.32 bits in all
        assert told.get("resistance across input", 0.0) < 0.25

    def test_what_parts_a_class_by_decades_tells_its_share(self, library: Library) -> None:
        """A class some decades off the others is told from them: 0.722 bit, though it scatters."""
        column = [one.name for one in MEASUREMENTS].index("resistance across input")
        rng = np.random.default_rng(6)
        cold = library.cold.copy()
        far = np.where(library.suspects == "shorted-input", 1e-1, 1e6)
        cold[:, column] = far * 10.0 ** rng.uniform(-0.5, 0.5, len(cold))
        told = {
            one.name: one.bits
            for one in proposals(dataclasses.replace(library, cold=cold), _even(library))
        }

        assert told["resistance across input"] == pytest.approx(0.7219, abs=0.1)

    def test_the_worth_counts_work_and_danger(self, library: Library) -> None:
        """Measurements come by information for each minute, danger counted as work."""
        found = proposals(library, _even(library))

        assert len(found) >= 2
        assert [one.worth for one in found] == sorted((one.worth for one in found), reverse=True)
        assert found[0].name in {"resistance across input", "resistance of fuse"}

    def test_what_was_made_is_not_asked_again(self, library: Library) -> None:
        """A measurement that was made is proposed no more."""
        first = proposals(library, _even(library))[0]
        found = Found(measurement=first, value=12.0)

        again = proposals(library, _even(library), [found])
        assert first.name not in {one.name for one in again}


class TestFound:
    def test_a_short_is_found(self, library: Library, others: list[Member]) -> None:
        """Some ohms across the input move the ranking to the short."""
        one = next(each for each in others if each.kind == "output-low")
        before = ranked(library, one.features)
        found = [Found.parse("resistance across input = 0.4 ohm")]
        after = ranked(library, one.features, agreement=agreement(library, found))

        short = "shorted-input"
        assert _chance(after, short) > 10.0 * _chance(before, short)

    @pytest.mark.parametrize(
        ("text", "value"),
        [
            ("resistance across input = 12 ohm", 12.0),
            ("Resistance  across input=1.2 kohm", 1200.0),
            ("resistance of fuse = open", OPEN_OHM),
            ("diode test passed = no", 0.0),
        ],
    )
    def test_read(self, text: str, value: float) -> None:
        """A result is read as it is written at a bench."""
        assert Found.parse(text).value == pytest.approx(value)

    def test_without_a_result_it_says_how(self) -> None:
        """A measurement named without its result is told how that is written."""
        with pytest.raises(UsageError, match="no result is given for 'resistance of fuse'") as said:
            Found.parse("resistance of fuse")
        assert said.value.remedy == 'write it as "resistance of fuse = 12 ohm"'

        with pytest.raises(UsageError) as said:
            Found.parse("capacitance of bulk capacitor = 120")
        assert said.value.remedy == "give a value with its unit, such as 100 uF"

    @pytest.mark.parametrize(
        "text",
        ["resistance of input = 12 ohm", "resistance across input", "diode test passed = 3"]
        + [f"resistance across input = {value}" for value in ("12 V", "-1 ohm", "", "nan ohm")],
    )
    def test_nonsense_is_refused(self, text: str) -> None:
        """What is no measurement or no result is refused with what can be written."""
        with pytest.raises(UsageError, match="--found"):
            Found.parse(text)
