"""The answer: what a failed run is never explained by, and what would push a narrow one."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from harness.api import rehearse_profile
from harness.profile.schema import Profile
from harness.record import load
from harness.record.sink import CheckRow
from harness.suspects.answer import answered, contradicted, fingerprint
from harness.suspects.asked import is_narrow, wants_explanation
from harness.suspects.case import Case, case_of
from harness.suspects.cold import MEASUREMENTS, OPEN_OHM
from harness.suspects.digest import Digest, Feature
from harness.suspects.library import Library, compiled
from harness.suspects.measuring import Found
from harness.suspects.population import Member
from harness.suspects.told import headline
from tests.suspects.conftest import DC

RAIL = "nominal: 5 V rail"


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A run that passed."""
    result = rehearse_profile(DC, results=tmp_path_factory.mktemp("sound"))
    assert result.folder is not None
    return case_of(load(result.folder))


@pytest.fixture(scope="module")
def dead(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A run of a unit whose fuse is open."""
    folder = tmp_path_factory.mktemp("dead")
    result = rehearse_profile(DC, fault="open-fuse", results=folder)
    assert result.folder is not None
    return case_of(load(result.folder))


def _rail(case: Case, value: float, verdict: str, margin: float, uncertainty: float) -> Case:
    """Return a case whose rail was found so."""
    digest = Digest("a run")
    digest.check(
        CheckRow(
            step="nominal",
            check="5 V rail",
            quantity="meter.voltage_dc",
            value=value,
            unit="V",
            low=4.9,
            high=5.1,
            uncertainty=uncertainty,
            rule="guarded",
            verdict=verdict,
            margin=margin,
        )
    )
    return dataclasses.replace(case, digest=digest)


class TestPushes:
    """What is near its limit is told which faults have their units beyond it."""

    @pytest.mark.parametrize(
        ("verdict", "margin"), [("pass", 0.01), ("undecided", -0.02)], ids=["narrow", "undecided"]
    )
    def test_near_the_lower_limit(
        self, sound: Case, library: Library, verdict: str, margin: float
    ) -> None:
        """A rail a little above 4.9 V is pushed below it by a low output; a dead unit is none."""
        (push,) = answered(_rail(sound, 4.92, verdict, margin, 0.04), library).pushes

        assert (push.check, push.verdict) == (RAIL, verdict)
        assert push.words == ("output too low",)

    def test_near_the_upper_limit(self, sound: Case, library: Library) -> None:
        """A rail a little below 5.1 V is not pushed beyond it by an output that is low."""
        (push,) = answered(_rail(sound, 5.09, "undecided", -0.02, 0.04), library).pushes

        assert push.words == ()

    def test_far_from_every_limit(self, sound: Case, library: Library) -> None:
        """What passed by more than its uncertainty is told nothing."""
        assert answered(_rail(sound, 5.0, "pass", 0.096, 0.004), library).pushes == ()

    def test_a_limit_that_is_close_for_a_healthy_unit(self, sound: Case, library: Library) -> None:
        """Where healthy units lie beyond the limit, too, tolerances alone push there."""
        case = _rail(sound, 5.0, "undecided", -0.01, 0.04)
        row = dataclasses.replace(case.digest.checks[RAIL], low=5.0)
        case.digest._checks[RAIL] = row
        (push,) = answered(case, library).pushes

        assert push.words[0].startswith("tolerances alone")

    def test_without_a_value(self, sound: Case, library: Library) -> None:
        """A check that could not be made is near no limit."""
        assert answered(_rail(sound, math.nan, "undecided", math.nan, 0.1), library).pushes == ()

    @pytest.mark.parametrize(
        ("verdict", "margin", "narrow"),
        [("pass", 0.5, True), ("pass", 1.5, False), ("fail", -0.5, False)],
    )
    def test_narrow(self, verdict: str, margin: float, *, narrow: bool) -> None:
        """Narrow is a check that passed by less than its uncertainty, here 1."""
        assert is_narrow(verdict, margin, 1.0) is narrow

    def test_a_run_far_from_every_limit_asks_for_nothing(self, sound: Case) -> None:
        """Nothing is to be explained of a run that passed with room."""
        assert not wants_explanation(sound.record)


class TestContradicted:
    def test_a_value_that_no_healthy_unit_reads(self, sound: Case, library: Library) -> None:
        """A rail at 4.7 V is not explained by nothing, however healthy all else looks."""
        case = _rail(sound, 4.7, "fail", -0.2, 0.004)
        answer = answered(case, library)

        assert contradicted(case, library) == (RAIL,)
        assert not answer.nothing_wrong
        assert answer.ranking.suspects[0].name != "healthy"
        assert sum(one.probability for one in answer.ranking.suspects) <= 1.0 + 1e-9

    def test_a_failed_check_that_healthy_units_read(self, sound: Case, library: Library) -> None:
        """A limit that healthy units miss as well contradicts nothing."""
        assert contradicted(_rail(sound, 5.0, "fail", -0.1, 0.004), library) == ()

    def test_a_trip_that_no_healthy_unit_has(self, sound: Case, library: Library) -> None:
        """Power that was cut for a reason that no healthy unit has is explained by a fault."""
        digest = Digest("a run")
        digest.trip = "charge_budget"

        cut = dataclasses.replace(sound, digest=digest)
        assert contradicted(cut, library) == ("charge_budget",)


class TestFoundAgainst:
    def test_a_result_that_none_of_its_units_reads(self, dead: Case, library: Library) -> None:
        """It stands first of what speaks against, and the headline asks to measure once more."""
        answer = answered(dead, library, [Found.parse("resistance of fuse = 0.06 ohm")])
        fuse = next(one for one in answer.told if one.suspect.name == "open-fuse")
        first = fuse.signs.against[0]

        assert (first.figure, first.value) == ("resistance of fuse", 0.06)
        assert first.such is not None
        assert first.such[0] > 1e6
        assert fuse.contradicted_by == answer.found
        told = dataclasses.replace(answer, told=(fuse,))
        assert headline(told).endswith("speaks against it: measure that once more.")

    def test_a_result_that_only_its_units_read(self, dead: Case, library: Library) -> None:
        """It speaks for the suspect; what healthy units read as well speaks neither way."""
        answer = answered(dead, library, [Found.parse("resistance of fuse = open")])
        fuse = next(one for one in answer.told if one.suspect.name == "open-fuse")

        assert fuse.signs.supporting[0].figure == "resistance of fuse"
        assert fuse.contradicted_by == ()


class TestFingerprint:
    def test_same_units_same_fingerprint(
        self, profile: Profile, members: list[Member], library: Library
    ) -> None:
        """It is of what is compared: one unit more, and it is another."""
        assert fingerprint(compiled(profile, members)) == fingerprint(library)
        assert fingerprint(compiled(profile, members[:-1])) != fingerprint(library)


class TestLeft:
    def test_what_was_found_parts_what_no_reading_does(self, sound: Case, library: Library) -> None:
        """Without a result all classes of a suspect are named; with one those it leaves open."""
        rows = np.flatnonzero(library.suspects == "shorted-input")
        kinds = library.kinds.astype("U20")
        kinds[rows[::2]] = "shorted-varistor"
        cold = library.cold.copy()
        column = [one.name for one in MEASUREMENTS].index("resistance of varistor")
        cold[:, column] = np.where(kinds == "shorted-varistor", 0.3, OPEN_OHM)
        two = dataclasses.replace(library, kinds=kinds, cold=cold)
        short = dict(zip(two.names, two.values[rows[0]].tolist(), strict=True))
        case = dataclasses.replace(
            sound, features={name: Feature(value, "1") for name, value in short.items()}
        )

        def first(*found: Found) -> set[str]:
            return {one.name for one in answered(case, two, found).told[0].left}

        assert first() == {"shorted-input", "shorted-varistor"}
        assert first(Found.parse("resistance of varistor = open")) == {"shorted-input"}
        assert first(Found.parse("resistance of varistor = 0.3 ohm")) == {"shorted-varistor"}

        told = answered(case, two, [Found.parse("resistance of varistor = open")]).told[0]
        assert told.probability < told.suspect.probability  # of what is named, not of all merged
