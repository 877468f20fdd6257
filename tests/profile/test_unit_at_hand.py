"""Rule 11: a unit file that is of another unit, or of one that may not be energised, is refused."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from harness.profile.expand import make_plan
from harness.profile.load import load_profile
from harness.profile.preflight import preflight
from harness.profile.unit_at_hand import UnitAtHand, objections
from harness.unit.unit_file import load_unit
from tests.profile.conftest import changed
from tests.units import SHUTTER_PLATE

if TYPE_CHECKING:
    from harness.profile.bench_file import BenchFile
    from harness.profile.schema import Profile

#: Unit B, with the nameplate of the AC profile of these tests.
SHUTTER_UNIT = f"""{SHUTTER_PLATE}
[service]
prospective_current = "30 A"

[[parts]]
name            = "F1"
kind            = "fuse"
current         = "2 A"
characteristic  = "T"
breaking        = "L"
voltage         = "250 V"
"""

#: What is changed in the unit file, and what pre-flight says of it.
DIFFERENCES = [
    (
        ('nominal   = "120 V"', 'nominal   = "100 V"'),
        "input.nominal: the profile says 120 V (ac.toml:4), the unit file 100 V (it.toml:9).",
    ),
    (
        ('tolerance = "10 %"', 'tolerance = "5 %"'),
        "input.tolerance: the profile says 10 % (ac.toml:4), the unit file 5 % (it.toml:10).",
    ),
    (
        ('["60 Hz", "50 Hz"]', '["50 Hz"]'),
        (
            "input.frequency: the profile says 50 Hz, 60 Hz (ac.toml:4), the unit file 50 Hz "
            "(it.toml:11)."
        ),
    ),
    (
        ('current   = "1.2 A"', 'current   = "1.3 A"'),
        "input.current: the profile says 1.2 A (ac.toml:4), the unit file 1.3 A (it.toml:12).",
    ),
    (
        ('current   = "1.2 A"', 'current   = "1.2 A"\nbulk_capacitance = "220 uF"'),
        (
            "input.bulk_capacitance: the profile says 150 uF (ac.toml:4), the unit file 220 uF "
            "(it.toml:13)."
        ),
    ),
    (
        ('protection_class = "II"', 'protection_class = "I"'),
        "protection_class: the profile says II (ac.toml:6), the unit file I (it.toml:5).",
    ),
    (
        ('nominal = "24 V"', 'nominal = "12 V"'),
        "output.main.nominal: the profile says 24 V (ac.toml:5), the unit file 12 V (it.toml:16).",
    ),
    (
        (
            "\n[service]",
            '\n[unit.output.aux]\nkind = "dc"\nnominal = "5 V"\ncurrent = "1 A"\n[service]',
        ),
        (
            "output.aux: the profile says nothing (ac.toml:5), the unit file kind dc, nominal 5 V, "
            "current 1 A (it.toml:19)."
        ),
    ),
]


@pytest.fixture
def shutter(profile_of: Callable[..., Profile]) -> Profile:
    """Return the AC profile, from a file of its own."""
    from pathlib import Path

    profile = profile_of("ac")
    Path("ac.toml").write_text(profile.text, encoding="utf-8")
    return load_profile("ac.toml")


@pytest.fixture
def unit_of(written: Callable[[str], str]) -> Callable[..., UnitAtHand]:
    """Return a function that loads the unit file with parts of it replaced."""

    def make(*changes: tuple[str, str], serial: str | None = "HRW-0007") -> UnitAtHand:
        return UnitAtHand(serial=serial, file=load_unit(written(changed(SHUTTER_UNIT, *changes))))

    return make


UnitOf = Callable[..., UnitAtHand]


class TestNameplate:
    def test_the_same_one_is_no_objection(self, shutter: Profile, unit_of: UnitOf) -> None:
        """Frequencies in another order, and keys that only one file knows, disagree on nothing."""
        assert objections(shutter, unit_of()) == ()

    @pytest.mark.parametrize(("change", "told"), DIFFERENCES)
    def test_every_difference_is_named(
        self, shutter: Profile, unit_of: UnitOf, change: tuple[str, str], told: str
    ) -> None:
        """A value that differs is told with both values and where each stands."""
        assert objections(shutter, unit_of(change)) == (f"The nameplates disagree on {told}",)

    def test_all_of_them_are(self, shutter: Profile, unit_of: UnitOf) -> None:
        """Several differences are told at once."""
        unit = unit_of(*(change for change, _ in DIFFERENCES[:4]))

        assert sorted(objections(shutter, unit)) == sorted(
            f"The nameplates disagree on {told}" for _, told in DIFFERENCES[:4]
        )

    def test_the_kind_comes_first(
        self, profile_of: Callable[..., Profile], unit_of: UnitOf
    ) -> None:
        """AC or DC is told before any current or voltage."""
        other = ('current   = "1.2 A"', 'current   = "1.3 A"')
        told = objections(profile_of("dc"), unit_of(other))

        assert told[0].startswith("The nameplates disagree on input.kind: ")
        assert len(told) > 2

    def test_the_kind_is_one_of_them(
        self, profile_of: Callable[..., Profile], unit_of: UnitOf
    ) -> None:
        """An AC unit and a DC profile disagree on the kind of input before anything else."""
        found = objections(profile_of("dc"), unit_of())

        assert any("disagree on input.kind: the profile says dc" in one for one in found)
        assert any("disagree on input.nominal: the profile says 24 V" in one for one in found)

    def test_pre_flight_refuses(
        self, shutter: Profile, unit_of: UnitOf, bench_of: Callable[..., BenchFile]
    ) -> None:
        """What speaks against the unit is a reason of pre-flight."""
        change, told = DIFFERENCES[0]
        plan = make_plan(shutter, bench_of(), at_hand=unit_of(change))

        assert f"The nameplates disagree on {told}" in (
            preflight(plan, today=dt.date(2026, 1, 1)).reasons
        )


class TestSerial:
    def test_another_one_is_refused(self, shutter: Profile, unit_of: UnitOf) -> None:
        """The command and the unit file have to name the same unit."""
        [told] = objections(shutter, unit_of(serial="HRW-0008"))

        assert told == (
            "The command is for serial number 'HRW-0008', the unit file (it.toml:2) for 'HRW-0007'."
        )

    @pytest.mark.parametrize("serial", [None, "HRW-0007", " HRW-0007"])
    def test_the_same_or_none_is_not(
        self, shutter: Profile, unit_of: UnitOf, serial: str | None
    ) -> None:
        """Blanks around it are no other number, and a plan knows none."""
        assert objections(shutter, unit_of(serial=serial)) == ()


class TestReplacement:
    def test_one_that_is_not_acceptable_is_refused(self, shutter: Profile, unit_of: UnitOf) -> None:
        """A part fitted that will not do is told with its figures and its line."""
        worse = (
            'fitted = { current = "2 A", characteristic = "T", breaking = "L", voltage = "63 V" }'
        )
        [told] = objections(shutter, unit_of(('breaking        = "L"', f'breaking = "L"\n{worse}')))

        assert told.startswith(
            "What was fitted as F1 (it.toml:28) is not acceptable: rated voltage"
        )
        assert "63 V" in told

    def test_a_better_one_is_not(self, shutter: Profile, unit_of: UnitOf) -> None:
        """A part that is as good as the original is no objection."""
        like = ('breaking        = "L"', 'breaking = "L"\nreplaced = true')

        assert objections(shutter, unit_of(like)) == ()

    def test_all_that_will_not_do_is_told(self, shutter: Profile, unit_of: UnitOf) -> None:
        """Two figures of one part stand in one sentence."""
        worse = (
            'fitted = { current = "4 A", characteristic = "T", breaking = "L", voltage = "63 V" }'
        )
        [told] = objections(shutter, unit_of(('breaking        = "L"', f'breaking = "L"\n{worse}')))

        assert "; rated" in told
        assert told.count("rated voltage 63 V") == told.count("rated current 4 A") == 1

    def test_a_part_that_was_seen_broken_is_refused(
        self, shutter: Profile, unit_of: UnitOf
    ) -> None:
        """What was seen broken and is still in is told with its line and what was seen."""
        burst = ('breaking        = "L"', 'breaking = "L"\nobserved = ["burst"]')

        assert objections(shutter, unit_of(burst)) == (
            "F1 (it.toml:28) was seen broken and is not replaced: Seen: burst.",
        )


class TestProof:
    def test_its_check_has_to_exist(self, shutter: Profile, unit_of: UnitOf) -> None:
        """A proof by a check that the profile does not have is told, with the nearest name."""
        proof = ('breaking        = "L"', 'breaking = "L"\nproved_by = "24 V rails"')

        [told] = objections(shutter, unit_of(proof))

        assert told == (
            "F1 is to be proved by check '24 V rails' (it.toml:28), and the profile has no such "
            "check, did you mean '24 V rail'?"
        )

    def test_without_one_of_that_kind_nothing_is_guessed(
        self, shutter: Profile, unit_of: UnitOf
    ) -> None:
        """A name that is like none of the profile's is told without another."""
        proof = ('breaking        = "L"', 'breaking = "L"\nproved_by = "X"')
        [told] = objections(shutter, unit_of(proof))

        assert told.endswith("and the profile has no such check.")

    def test_one_that_exists_is_no_objection(self, shutter: Profile, unit_of: UnitOf) -> None:
        """A proof by a check of the profile is none."""
        proof = ('breaking        = "L"', 'breaking = "L"\nproved_by = "24 V rail"')

        assert objections(shutter, unit_of(proof)) == ()


class TestShipped:
    @pytest.mark.parametrize(
        ("unit", "profile"),
        [
            ("dome-shutter-HRW-0007", "dome-shutter-power-unit"),
            ("dome-shutter-HRW-0007", "dome-shutter-full-release"),
            ("mount-controller-HRW-0012", "mount-controller-board"),
            ("mount-controller-HRW-0012", "mount-controller-full-release"),
        ],
    )
    def test_unit_files_and_profiles_agree(self, unit: str, profile: str) -> None:
        """Each unit file that comes with the program is one of its profile's units."""
        assert objections(load_profile(profile), UnitAtHand(file=load_unit(unit))) == ()
