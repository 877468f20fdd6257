from __future__ import annotations

from typing import Literal

import pytest

from harness.unit.nameplate import Unit
from harness.unit.safety_tests import (
    BOUNDS,
    EXTRA_LOW_V,
    is_mains_unit,
    missing_tests,
    needed_tests,
)

Class = Literal["I", "II", "III"]


def unit(kind: str, nominal: str, protection_class: Class = "II") -> Unit:
    frequency = {"frequency": ["50 Hz"]} if kind == "ac" else {}
    plate = {"kind": kind, "nominal": nominal, "tolerance": "10 %", "current": "1 A", **frequency}
    return Unit.model_validate({"input": plate, "protection_class": protection_class})


class TestMainsUnit:
    def test_extra_low_voltage_ends_where_band_i_ends(self) -> None:
        """Up to 50 V AC and 120 V DC is extra-low: IEC 61140, IEC 60449 band I (from memory)."""
        assert EXTRA_LOW_V == {"ac": 50.0, "dc": 120.0}

    @pytest.mark.parametrize(
        ("kind", "nominal", "mains"),
        [
            ("dc", "24 V", False),
            ("dc", "120 V", False),
            ("dc", "121 V", True),
            ("ac", "24 V", False),
            ("ac", "50 V", False),
            ("ac", "51 V", True),
            ("ac", "120 V", True),
            ("ac", "230 V", True),
        ],
    )
    def test_only_what_is_above_it_counts(self, kind: str, nominal: str, mains: bool) -> None:
        """A unit counts as one for mains from the first volt above extra-low voltage on."""
        assert is_mains_unit(unit(kind, nominal)) is mains


class TestNeeded:
    @pytest.mark.parametrize("protection_class", ["I", "II", "III"])
    def test_extra_low_voltage_needs_none(self, protection_class: Class) -> None:
        """What is fed with extra-low voltage needs no safety test for its release."""
        assert needed_tests(unit("dc", "24 V", protection_class)) == ()

    @pytest.mark.parametrize(
        ("protection_class", "needed"),
        [
            (
                "I",
                (
                    "protective-conductor resistance",
                    "insulation resistance",
                    "protective-conductor current or touch current",
                ),
            ),
            ("II", ("insulation resistance", "touch current")),
            # a class that does not fit such an input frees the unit of nothing
            ("III", ("insulation resistance", "touch current")),
        ],
    )
    def test_mains_needs_what_its_class_has(
        self, protection_class: Class, needed: tuple[str, ...]
    ) -> None:
        """A mains unit needs conductor where there is one, insulation, and one of the currents."""
        assert missing_tests(unit("ac", "120 V", protection_class), []) == needed

    def test_either_current_will_do_for_class_i(self) -> None:
        """Of protective-conductor and touch current one is enough."""
        plate = unit("ac", "230 V", "I")
        others = ("protective-conductor resistance", "insulation resistance")

        assert missing_tests(plate, [*others, "touch current"]) == ()
        assert missing_tests(plate, [*others, "protective-conductor current"]) == ()
        assert missing_tests(plate, others) == ("protective-conductor current or touch current",)

    def test_a_conductor_s_current_says_nothing_of_class_ii(self) -> None:
        """Where there is no protective conductor only the touch current counts."""
        made = ("insulation resistance", "protective-conductor current")

        assert missing_tests(unit("ac", "120 V"), made) == ("touch current",)

    def test_every_test_has_the_side_it_is_judged_by(self) -> None:
        """A resistance of insulation has a least, all else a most."""
        assert {test: bound.side for test, bound in BOUNDS.items()} == {
            "protective-conductor resistance": "high",
            "insulation resistance": "low",
            "protective-conductor current": "high",
            "touch current": "high",
        }
