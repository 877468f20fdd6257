"""What was seen on a part or a unit counts beside the figures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest

from harness.unit import parts, unit_file
from harness.unit.assess import KINDS, assess
from harness.unit.assessment import Severity
from harness.unit.reference import reference
from harness.unit.unit_file import UnitFile

from .conftest import AC_UNIT, part

UnitOf = Callable[[dict[str, Any]], UnitFile]

WITHIN, MARGINAL, OVER, DESTROYED = Severity

ROOT = Path(__file__).parents[2]

#: Nothing in the figures: the right line, and nothing is known to have opened.
QUIET: dict[str, Any] = {"event.voltage": "120 V", "event.opened": "unknown"}


class TestWords:
    def test_every_word_has_its_meaning(self) -> None:
        """Whatever a file may say is in the table, and nothing else is."""
        table = reference().observations

        assert set(get_args(parts._Seen)) == table.part.keys()
        assert set(get_args(unit_file._Seen)) == table.unit.keys()

    def test_the_guide_has_them(self) -> None:
        """Each word stands in the table of the guide."""
        page = (ROOT / "docs" / "files-by-hand.md").read_text(encoding="utf-8")
        rows = {line.split("|")[1].strip(): line for line in page.split("\n") if "| " in line}

        for word in get_args(parts._Seen):
            assert f"`{word}`" in rows["of a part"]
        for word in get_args(unit_file._Seen):
            assert f"`{word}`" in rows["of the unit, above `[unit]`"]

    def test_what_explains_a_sign_exists(self) -> None:
        """Every kind named in the table is a kind of part."""
        kinds = {
            kind for row in reference().observations.unit.values() for kind in row.explained_by
        }

        assert kinds <= {"any", *KINDS}


class TestOnAPart:
    @pytest.mark.parametrize(
        ("word", "severity"),
        [("burst", DESTROYED), ("leaking", DESTROYED), ("soot", OVER), ("discoloured", MARGINAL)],
    )
    def test_the_graver_of_sight_and_figures_decides(
        self, ac_unit: UnitOf, word: str, severity: Severity
    ) -> None:
        """A part whose figures are harmless counts by what was seen on it, and says so."""
        found = part(assess(ac_unit({**QUIET, "parts.Q1.observed": [word]})), "Q1")

        assert found.severity is severity
        assert found.reason == found.known == f"seen: {word}"
        assert found.remarks[0] == f"Seen: {word}."

    def test_figures_that_are_graver_stay(self, ac_unit: UnitOf) -> None:
        """Soot does not make a destroyed part better, and its figures stay the reason."""
        found = part(assess(ac_unit({"parts.C1.observed": ["soot"]})), "C1")

        assert found.severity is DESTROYED
        assert found.known == ""
        assert found.reason.startswith("rated voltage 324 V at the event")

    def test_a_burst_part_puts_a_short_on_the_fuse(self, ac_unit: UnitOf) -> None:
        """A burst switch carried a short: the fuse had to break it."""
        changes = {**QUIET, "parts.Q1.observed": ["burst"]}
        found = assess(ac_unit({**changes, "event.opened": "fuse"}))

        assert "by the figures a short in Q1 parts it" in " ".join(part(found, "F1").remarks)
        leaking = assess(ac_unit({**QUIET, "parts.C1.observed": ["leaking"]}))
        assert part(leaking, "F1").severity is WITHIN

    @pytest.mark.parametrize(("word", "short"), [("out of value", False), ("bulged", True)])
    def test_what_was_measured_overrules_a_short_by_figures(
        self, ac_unit: UnitOf, word: str, *, short: bool
    ) -> None:
        """A bulk capacitor that was measured, and only lost its value, put no short on the fuse."""
        found = assess(ac_unit({"parts.C1.observed": [word], "parts.VR1": None}))

        assert ("a short in C1" in " ".join(part(found, "F1").remarks)) is short

    def test_a_broken_part_that_stays_in_is_not_acceptable(self, ac_unit: UnitOf) -> None:
        """No check proves a burst part sound: it is replaced, or the unit gets no power."""
        noted = {"parts.Q1.observed": ["burst"], "parts.Q1.observed_note": "Its lid is off."}
        left = assess(ac_unit({**QUIET, **noted}))
        replaced = assess(ac_unit({**QUIET, **noted, "parts.Q1.replaced": True}))

        assert left.not_acceptable == ("Q1",)
        assert "Q1: seen: burst (Its lid is off): replace it before power." in left.open_points
        assert replaced.acceptable
        assert not any(point.startswith("Q1") for point in replaced.open_points)

    def test_soot_can_be_proved(self, ac_unit: UnitOf) -> None:
        """A part with soot on it is a suspect that its cold check settles."""
        found = assess(ac_unit({**QUIET, "parts.Q1.observed": ["soot"]}))

        assert found.acceptable
        assert found.left_in_place == ("Q1",)

    def test_a_fuse_that_opened_says_why(self, ac_unit: UnitOf) -> None:
        """Where no figure explains it, the reason is the story, not a stress within rating."""
        found = part(assess(ac_unit({**QUIET, "event.opened": "fuse"})), "F1")

        assert found.severity is DESTROYED
        assert found.reason == "it opened at the event"


class TestOnTheUnit:
    def test_a_tripped_breaker_tells_of_a_high_current(self, ac_unit: UnitOf) -> None:
        """48 A at least flow through the fuse when a 16 A breaker of type B trips (IEC 60898-1)."""
        for changes in ({"observed": ["breaker tripped"]}, {"event.opened": "breaker"}):
            found = assess(ac_unit({**QUIET, **changes}))

            assert part(found, "F1").severity is OVER
            assert part(found, "F1").reason == "a breaker tripped"
            [point] = found.to_clear_up
            assert point.startswith(
                "Breaker tripped: a current of tens of amperes flowed into the unit, and no part "
                "in this file explains it. Before power: resistance at the input terminals"
            )
            assert point in found.open_points

    @pytest.mark.parametrize(
        ("sign", "name", "word", "explained"),
        [
            ("breaker tripped", "BR1", "shorted", True),
            ("breaker tripped", "BR1", "discoloured", False),
            ("breaker tripped", "C8", "burst", False),  # an output capacitor shorts no line
            ("RCD tripped", "CY1", "shorted", True),
            ("RCD tripped", "Q1", "burst", False),
            ("soot", "Q1", "soot", True),
            ("bang", "F1", "burst", True),
        ],
    )
    def test_a_part_explains_a_sign(
        self, ac_unit: UnitOf, sign: str, name: str, word: str, *, explained: bool
    ) -> None:
        """A sign stays open until something seen on a part explains it."""
        changes = {**QUIET, "observed": [sign], f"parts.{name}.observed": [word]}
        found = assess(ac_unit(changes))

        assert (found.to_clear_up == ()) is explained
        asked = [check.measure for check in found.checks if check.measure.startswith(sign)]
        assert (asked == []) is explained

    def test_the_workshop_can_explain_it(self, ac_unit: UnitOf) -> None:
        """Where no part explains a sign, a finding of the workshop may, and is told."""
        cause = "tripped by a drill on the same line"
        changes = {"observed": ["breaker tripped"], "observed_cause": cause}
        found = assess(ac_unit({**QUIET, **changes}))

        assert found.to_clear_up == ()
        told = f"What was seen of the unit is explained by the workshop: {cause}."
        assert told in found.assumptions

    def test_liquid_asks_for_a_check_and_for_no_part(self, ac_unit: UnitOf) -> None:
        """What no part can explain is a cold check, and no open point."""
        found = assess(ac_unit({**QUIET, "observed": ["liquid"], "observed_note": "Coffee."}))

        assert found.to_clear_up == ()
        assert found.checks[2].measure.startswith("liquid: open, clean and dry it")
        assert found.story.endswith("Seen: liquid (Coffee).")


def test_every_kind_of_part_takes_every_word(ac_unit: UnitOf) -> None:
    """No word of the list fails on any kind of part."""
    for name in AC_UNIT["parts"]:
        for word in get_args(parts._Seen):
            found = part(assess(ac_unit({f"parts.{name}.observed": [word]})), name)
            assert found.severity.rank >= reference().observations.part[word].severity.rank
