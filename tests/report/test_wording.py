from __future__ import annotations

import math
from typing import Any

import pytest

from harness.report.wording import (
    found_text,
    headline,
    release_words,
    source_lines,
    time_text,
    value_text,
    verdict_mark,
    verdict_words,
    wanted_text,
)


class TestValueText:
    @pytest.mark.parametrize(
        ("value", "uncertainty", "unit", "text"),
        [
            (24.04942, 0.00774, "V", "24.0494 ± 0.0077 V"),
            (24.0, 0.0077, "V", "24.0000 ± 0.0077 V"),
            (1.7312, 0.2321, "W", "1.73 ± 0.23 W"),
            (0.0067, 0.00231, "V", "6.7 ± 2.3 mV"),
            (0.86391, 0.0065, "%", "86.39 ± 0.65 %"),
            (0.5421, 0.00478, "1", "0.5421 ± 0.0048"),
            (0.001, 2.3, "V", "0.0 ± 2.3 V"),
            (0.0, 0.01, "A", "0 ± 10 mA"),
            (1234.5, 21.0, "V", "1.234 ± 0.021 kV"),
            (5.0, 0.0, "V", "5 V"),
            (5.0, math.nan, "V", "5 V"),
            (5.0, math.inf, "V", "5 V"),
            (math.nan, 0.1, "V", "no value"),
        ],
    )
    def test_value_and_uncertainty_end_at_the_same_figure(
        self, value: float, uncertainty: float, unit: str, text: str
    ) -> None:
        """The uncertainty has two figures and the value as many decimals (JCGM 100:2008, 7.2.6)."""
        assert value_text(value, uncertainty, unit) == text

    def test_the_worked_example_of_the_guide(self) -> None:
        """A mass of 100.02147 g with U of 0.79 mg is given to 0.01 mg.

        Source: JCGM 100:2008, 7.2.4, whose grams stand for volts here; figures from memory.
        """
        assert value_text(100.02147, 0.00079, "V") == "100.02147 ± 0.00079 V"


class TestTimeText:
    @pytest.mark.parametrize(
        ("time_s", "text"),
        [
            (0.0, "0.000 s"),
            (17.1944, "17.194 s"),
            (125.0, "2 min 05.0 s"),
            (179.99, "3 min 00.0 s"),
        ],
    )
    def test_long_times_are_in_minutes(self, time_s: float, text: str) -> None:
        """From two minutes on a time has minutes and seconds."""
        assert time_text(time_s) == text


def ended(**changed: Any) -> dict[str, Any]:
    run = {"outcome": "completed", "verdict": "pass", "released": True, "rehearsal": False}
    return run | changed


class TestHeadline:
    def test_a_release_is_called_one(self) -> None:
        """A real unit that passed everything is released."""
        assert headline(ended())[0] == "Released"

    @pytest.mark.parametrize(
        ("changed", "word", "mark"),
        [
            ({}, "Pre-check passed", "pre-check"),
            ({"rehearsal": True}, "Rehearsal passed", "pre-check"),
            ({"verdict": "fail"}, "Pre-check not passed", "fail"),
            ({"verdict": "undecided"}, "Pre-check not passed", "undecided"),
            ({"outcome": "tripped"}, "Pre-check not passed", "fail"),
        ],
    )
    def test_a_pre_check_is_never_called_a_release(
        self, changed: dict[str, object], word: str, mark: str
    ) -> None:
        """A pre-check passes or not, in a colour of its own, and says that it releases nothing."""
        run = ended(released=False, purpose="pre-check", open_points=["It is open."]) | changed

        assert headline(run)[0] == word
        assert verdict_mark(run) == mark
        assert "pre-check" in release_words(run)
        assert release_words(run).endswith("it releases no unit")
        assert (" pre-check releases no" in headline(run)[1]) == (mark == "pre-check")

    def test_open_points_are_counted(self) -> None:
        """Where points are open, that is what is said of a completed run."""
        run = ended(released=False, verdict="undecided", open_points=["One.", "Two."])

        assert headline(run) == ("Not released", "the run was completed, but 2 points are open")
        run["open_points"] = ["One."]
        assert headline(run)[1] == "the run was completed, but one point is open"

    @pytest.mark.parametrize("released", [True, False])
    def test_a_rehearsal_is_never_called_a_release(self, released: bool) -> None:
        """Whatever came out, the words of a rehearsal say that it is one."""
        word, _ = headline(ended(rehearsal=True, released=released))

        assert word.startswith("Rehearsal")
        assert "eleased" not in word

    @pytest.mark.parametrize(
        ("outcome", "verdict", "beneath"),
        [
            ("completed", "fail", "the run was completed and at least one check failed"),
            (
                "completed",
                "undecided",
                "the run was completed, but not every check could be decided",
            ),
            ("completed", "pass", "the run was completed, but its record proves no release"),
            ("tripped", "pass", "power was cut"),
            ("interrupted", "undecided", "the run was interrupted"),
            ("refused", "undecided", "nothing was energised"),
        ],
    )
    def test_every_other_end_is_no_release(self, outcome: str, verdict: str, beneath: str) -> None:
        """What was not released says why."""
        run = ended(outcome=outcome, verdict=verdict, released=False)

        assert headline(run) == ("Not released", beneath)

    @pytest.mark.parametrize(
        ("verdict", "beneath"),
        [
            ("undecided", "the run was completed, but its record proves no release"),
            ("fail", "the run was completed and at least one check failed"),
        ],
    )
    def test_a_damaged_record_blames_no_check(self, verdict: str, beneath: str) -> None:
        """Where the record is not whole, that stands in the way, unless a check had failed."""
        run = ended(verdict=verdict, released=False)

        assert headline(run, whole=False) == ("Not released", beneath)


class TestSources:
    def test_the_most_come_last(self) -> None:
        """The source of the most checks is told for all others; one that is missing is told too."""
        checks = [
            ("rail at 1 A", "nameplate"),
            ("rail at 2 A", "nameplate"),
            ("efficiency at full load", "nameplate"),
            ("idle", "nameplate"),
            ("insulation", "EN 50678, from memory"),
            ("fuse", ""),
            ("bulk", ""),
        ]

        assert source_lines(checks) == [
            "insulation: EN 50678, from memory",
            "fuse, bulk: not stated",
            "all others: nameplate",
        ]

    def test_a_check_of_several_levels_is_named_once(self) -> None:
        """A name with its level stands for the check where there are several of them."""
        checks = [
            *(("rail at 1 A", "sheet 3"), ("rail at 2 A", "sheet 3")),
            *((name, "sheet 4") for name in ("a", "b")),
            ("efficiency at full load", "sheet 4"),
        ]

        assert source_lines(checks) == ["rail: sheet 3", "all others: sheet 4"]

    def test_one_source_is_that_of_all(self) -> None:
        """With one source there is one line, and without a check none."""
        assert source_lines([("a", "sheet 3"), ("b", "sheet 3")]) == ["all: sheet 3"]
        assert source_lines([]) == []


class TestVerdictWords:
    @pytest.mark.parametrize(
        ("outcome", "verdict", "words", "short"),
        [
            ("completed", "pass", "verdict pass", "pass"),
            ("completed", "undecided", "verdict undecided", "undecided"),
            ("completed", "fail", "verdict fail", "fail"),
            ("tripped", "undecided", "no verdict on the unit", "none"),
            ("interrupted", "undecided", "no verdict on the unit", "none"),
            ("refused", "undecided", "no verdict on the unit", "none"),
            ("tripped", "pass", "no verdict on the unit", "none"),
            ("tripped", "fail", "verdict fail", "fail"),
            ("refused", "fail", "verdict fail", "fail"),
        ],
    )
    def test_a_run_cut_short_has_no_verdict_unless_a_check_failed(
        self, outcome: str, verdict: str, words: str, short: str
    ) -> None:
        """``undecided`` is said of a completed run alone; a failed check counts in every run."""
        run = ended(outcome=outcome, verdict=verdict, released=False)

        assert verdict_words(run) == words
        assert verdict_words(run, short=True) == short


@pytest.mark.parametrize(
    ("value", "low", "high", "found", "wanted"),
    [
        (1.0, 1.0, None, "yes", "yes expected"),
        (0.0, 1.0, None, "no", "yes expected"),
        (0.0, None, 0.0, "no", "no expected"),
        (math.nan, 1.0, math.nan, "no answer", "yes expected"),
    ],
)
def test_an_answer_is_shown_as_one(
    value: float, low: float | None, high: float | None, found: str, wanted: str
) -> None:
    """A question to the operator shows yes and no, never 1 and 0."""
    assert found_text("operator.yes_no", value, math.nan, "1") == found
    assert wanted_text("operator.yes_no", low, high, "1") == wanted


def test_a_value_is_shown_with_its_limits() -> None:
    """Any other check shows its value and its limits."""
    assert found_text("meter.voltage_dc", 5.0, 0.01, "V") == "5.000 ± 0.010 V"
    assert wanted_text("meter.voltage_dc", 4.9, None, "V") == "at least 4.9 V"


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        (53e-6, 102e-6, "V", "0.05 ± 0.10 mV"),
        (0.743e-3, 2.264e-3, "V", "0.7 ± 2.3 mV"),
        (0.008, 0.113, "ohm", "0.01 ± 0.11 ohm"),
        (0.0, 0.0034, "V", "0.0 ± 3.4 mV"),
    ],
)
def test_an_uncertainty_above_its_value_keeps_two_figures(
    value: float, uncertainty: float, unit: str, text: str
) -> None:
    """A value next to zero takes the prefix of its uncertainty (JCGM 100:2008, 7.2.6)."""
    assert value_text(value, uncertainty, unit) == text
