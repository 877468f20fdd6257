"""Rule 11: what keeps a run from a release, before it and after it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from harness.judge.verdict import Verdict
from harness.profile.expand import make_plan
from harness.profile.open_points import settled as settled_points
from harness.profile.open_points import still_open
from harness.profile.plan import OpenPoint
from harness.profile.unit_at_hand import UnitAtHand
from harness.unit.unit_file import load_unit

if TYPE_CHECKING:
    from harness.profile.bench_file import BenchFile
    from harness.profile.schema import Profile

ProfileOf = Callable[..., "Profile"]
BenchOf = Callable[..., "BenchFile"]
PASS, FAIL, UNDECIDED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED

#: Unit A with a switch that the event drove past its rating, and that stayed in.
BOARD_UNIT = """\
title  = "Mount controller board"
serial = "HRW-0012"

[unit]
input  = { kind = "dc", nominal = "24 V", tolerance = "10 %", current = "1.2 A" }
output = { main = { kind = "dc", nominal = "5 V", current = "2 A" } }
protection_class = "III"

[event]
kind    = "dc"
voltage = "60 V"

[[parts]]
name    = "Q1"
kind    = "switch"
voltage = "40 V"
"""


class TestParts:
    def test_an_over_stressed_part_that_stayed_in_is_open(
        self, profile_of: ProfileOf, written: Callable[[str], str]
    ) -> None:
        """A suspect that was not replaced is an open point, with the figures that made it one."""
        unit = UnitAtHand(file=load_unit(written(BOARD_UNIT)))

        [point] = make_plan(profile_of("dc"), at_hand=unit).open_points
        assert point.text.startswith("Q1 (destroyed likely) was not replaced: ")
        assert "40 V" in point.text
        assert point.text.endswith(". No check is named to prove it sound (proved_by).")
        assert point.proved_by == ""

    def test_a_replaced_one_is_settled(
        self, profile_of: ProfileOf, written: Callable[[str], str]
    ) -> None:
        """What was replaced is no open point."""
        unit = UnitAtHand(file=load_unit(written(BOARD_UNIT + "replaced = true\n")))

        assert make_plan(profile_of("dc"), at_hand=unit).open_points == ()

    def test_a_named_check_is_to_prove_it(
        self, profile_of: ProfileOf, written: Callable[[str], str]
    ) -> None:
        """With `proved_by` the run itself can settle it, so nothing forbids its release."""
        unit = UnitAtHand(file=load_unit(written(BOARD_UNIT + 'proved_by = "5 V rail"\n')))
        plan = make_plan(profile_of("dc"), at_hand=unit)

        assert [point.proved_by for point in plan.open_points] == ["5 V rail"]
        assert "No check is named" not in plan.open_points[0].text
        assert plan.cannot_release == ""
        assert plan.objections == ()


class TestStory:
    def test_what_no_part_explains_is_open(
        self, profile_of: ProfileOf, written: Callable[[str], str]
    ) -> None:
        """Smoke that no part of the file explains keeps the run from a release."""
        text = BOARD_UNIT.replace("[unit]", 'observed = ["smoke"]\n\n[unit]').replace(
            'voltage = "40 V"', 'voltage = "90 V"'
        )
        unit = UnitAtHand(file=load_unit(written(text)))
        [point] = make_plan(profile_of("dc"), at_hand=unit).open_points

        assert point.text.startswith(
            "Smoke: something burnt, and no part in this file explains it. Before power: "
        )
        assert point.proved_by == ""


class TestSafetyTests:
    def test_what_nobody_names_is_open(self, profile_of: ProfileOf) -> None:
        """A unit for mains without its safety tests, and without a reference to them, is open."""
        [point] = make_plan(profile_of("ac"), at_hand=UnitAtHand(safety_record="")).open_points

        assert point.text.startswith("Safety tests after repair are missing: ")
        assert point.proved_by == ""


class TestDraftedLimits:
    def test_they_are_one_point_that_names_each(self, profile_of: ProfileOf) -> None:
        """Limits nobody has confirmed are an open point, each named with its line."""
        plan = make_plan(profile_of("dc", ('low = "4.90 V"', 'low = "4.90 V"  # CHECK')))

        [point] = plan.open_points
        assert point.text == (
            "Still marked CHECK in the profile, as drafted: check '5 V rail' of step 2 (nominal), "
            "line 31."
        )

    def test_those_of_the_unit_file_count_as_well(
        self, profile_of: ProfileOf, written: Callable[[str], str]
    ) -> None:
        """What a part was only assumed to be is no ground for a release either."""
        text = BOARD_UNIT.replace('voltage = "40 V"', 'voltage = "90 V"  # CHECK')
        unit = UnitAtHand(file=load_unit(written(text)))

        assert [point.text for point in make_plan(profile_of("dc"), at_hand=unit).open_points] == [
            "Still marked CHECK in the unit file, as drafted: voltage of Q1, line 16."
        ]


class TestPurpose:
    def test_a_pre_check_says_that_it_releases_nothing(self, profile_of: ProfileOf) -> None:
        """The plan of a pre-check cannot release, open points or none."""
        plan = make_plan(profile_of("dc", ("title =", 'purpose = "pre-check"\ntitle =')))

        assert plan.cannot_release == "A pre-check releases no unit."
        assert make_plan(profile_of("dc")).cannot_release == ""


class TestAfterwards:
    @pytest.mark.parametrize(
        ("judged", "settled"),
        [
            ([("bridge", PASS)], True),
            ([("bridge at 90 %", PASS), ("bridge at 110 %", PASS)], True),
            ([("bridge at 90 %", PASS), ("bridge at 110 %", FAIL)], False),
            ([("bridge", UNDECIDED)], False),
            ([("bridge", FAIL)], False),
            ([("bridges", PASS)], False),
            ([], False),
        ],
    )
    def test_a_point_is_settled_by_its_check_alone(
        self, judged: list[tuple[str, Verdict]], settled: bool
    ) -> None:
        """The named check has to be judged, and to pass wherever it was."""
        point = OpenPoint("BR1 was not replaced.", proved_by="bridge")
        left = still_open([point], [("other", PASS), *judged])

        told = "BR1 was not replaced. Check 'bridge' was to prove it, and did not pass."
        assert left == (() if settled else (told,))

    def test_what_a_check_settled_is_told_with_it(self) -> None:
        """Of the points that were open, those that are left are not told as settled."""
        points = [OpenPoint("One.", proved_by="bridge"), OpenPoint("Two.", proved_by="switch")]
        left = still_open(points, [("bridge", PASS), ("switch", FAIL)])

        assert settled_points(points, left) == ("One. Check 'bridge' passed, which proves it.",)
        assert settled_points(points, []) == (
            "One. Check 'bridge' passed, which proves it.",
            "Two. Check 'switch' passed, which proves it.",
        )

    def test_what_no_check_proves_stays_open(self) -> None:
        """A point without a check is open whatever passed."""
        assert still_open([OpenPoint("It is open.")], [("", PASS)]) == ("It is open.",)

    def test_what_fell_away_is_open(self, profile_of: ProfileOf, bench_of: BenchOf) -> None:
        """A check this bench cannot make keeps the run from a release."""
        bench = bench_of().model_copy(update={"meter": None})
        points = make_plan(profile_of("dc"), bench).open_points

        assert len(still_open(points, [])) == 1
