"""What most likely explains a run, in the report and in words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.record import load
from harness.record.explanation import (
    BesideTold,
    Expected,
    PushTold,
    StepTold,
    keep_explanation,
)
from harness.report.explained import (
    CAUTION,
    REMARK,
    explained,
    percent,
    short_lines,
    worth_telling,
)
from harness.report.page import report_from_record
from tests.explanations import explanation

MakeRecord = Callable[..., Path]

STEP = StepTold(
    name="soak",
    how="half an hour",
    unit="degC",
    bits=0.5,
    work_min=33.0,
    danger=6.0,
    expected=(Expected(suspect="output-low", words="output too low", low=30.0, high=30.0),),
    figure="soak: case temperature",
    trips=0.0,
    profile="",
)


class TestWords:
    @pytest.mark.parametrize(
        ("probability", "text"),
        [(0.0, "below 1 %"), (0.004, "below 1 %"), (0.5, "50 %"), (1.0, "above 99 %")],
    )
    def test_a_probability_is_never_none_and_never_all(self, probability: float, text: str) -> None:
        """No suspect is ruled out, and none is certain."""
        assert percent(probability) == text

    def test_everything_is_said(self) -> None:
        """Suspects with how far, where and why; the next measurement with what each would read."""
        shown = explained(explanation())
        first, second = shown.suspects

        assert first.degree == "output voltage off by: 6 % (90 % of such units: 5 % to 8 %)"
        assert first.supporting == (
            "nominal: rail 4.71 V; such units 4 V to 4.8 V; healthy 4.95 V to 5.05 V",
        )
        assert second.words.endswith("(at the bench)")
        assert shown.measure is not None
        assert shown.measure.expected == ("output too low: yes", "meter: no")
        beyond = "it would be pushed beyond its limit by a dry capacitor"
        assert shown.pushes == (f"nominal: ripple, passed narrowly: {beyond}",)
        assert shown.unseen == ()  # a fault is seen here
        assert "abababababab" in shown.library

    @pytest.mark.parametrize(
        ("name", "text"),
        [
            ("nominal, nominal: meter.voltage_dc", "nominal: meter voltage DC"),
            ("start, 10 %: current, filled", "start, 10 %: charge beyond the steady current"),
            (
                "start, 10 %: power_meter.conductance",
                "start, 10 %: current over voltage, by the power meter",
            ),
            ("nominal, nominal: voltage, scatter", "nominal: scatter of the voltage"),
            ("start.bulk_capacitance", "start: bulk capacitance"),
            ("nominal: 3.3 V rail at 1.5 A", "nominal: 3.3 V rail at 1.5 A"),
        ],
    )
    def test_a_figure_is_named_as_people_read_it(self, name: str, text: str) -> None:
        """Step, level and what is read, in words; a check keeps its own name."""
        sign = explanation().suspects[0].supporting[0].model_copy(update={"figure": name})
        first = explanation().suspects[0].model_copy(update={"supporting": (sign,)})
        (line,) = explained(explanation(suspects=(first,))).suspects[0].supporting

        assert line.startswith(f"{text} 4.71 V; ")

    def test_not_all_that_pushes_is_listed(self) -> None:
        """Three are named; that there are others is said."""
        five = PushTold(check="dip: hold-up", verdict="pass", by=("a", "b", "c", "d", "e"))

        (line,) = explained(explanation(pushes=(five,))).pushes
        assert line.endswith("beyond its limit by a, or b, or c, or one of 2 others")

    def test_in_short(self) -> None:
        """Below the first suspects: what to measure, never without how."""
        assert short_lines(explanation())[-1] == (
            "measure next, discharged and cold: meter right on a known voltage"
        )

    def test_what_was_not_seen_stands_in_the_short_answer(self) -> None:
        """Whoever reads three lines reads that they are not all there may be."""
        ended = "The run ended in step 'start': other faults may be there."

        assert ended in short_lines(explanation(hidden=ended))

    def test_a_second_fault_is_told_as_a_condition(self) -> None:
        """Nobody knows whether there is one; which it would be stands in the short answer."""
        beside = (
            BesideTold(name="leaky", words="a leak"),
            BesideTold(name="dry", words="a dry one"),
        )
        told = explanation(beside=beside)

        line = "If there is a second fault beside the first: most likely a leak; or a dry one."
        assert line in short_lines(told)
        assert explained(explanation()).beside == ""

    def test_no_proof_takes_power(self) -> None:
        """A fault that shows under power alone is not proved so: cold comes first, in any words."""
        powered = explanation(measure=())
        fuse = powered.suspects[0].model_copy(
            update={"shown_by": "ohmmeter across the fuse", "shown_cold": True}
        )
        cold = explanation(measure=(), suspects=(fuse,))

        assert short_lines(powered)[-1] == (
            "nothing cold proves it: look at its parts, discharged and cold, before any power"
        )
        assert explained(powered).suspects[0].shown_by.endswith("all that is cold comes first")
        assert short_lines(cold)[-1] == ("prove it, discharged and cold: ohmmeter across the fuse")


class TestReport:
    def test_it_stands_in_a_report_made_later(self, make_record: MakeRecord) -> None:
        """What is kept beside the record is in the report, with the library it comes from."""
        folder = make_record()
        keep_explanation(folder, explanation(folder))
        page = report_from_record(load(folder)).decode()

        assert "What most likely explains this run" in page
        assert "output too low" in page
        assert CAUTION in page
        assert "library abababababab" in page
        assert "no part of it" in page

    def test_what_was_not_seen_is_said(self, make_record: MakeRecord) -> None:
        """A run that ended early is no word on what would have come."""
        folder = make_record()
        keep_explanation(folder, explanation(folder, hidden="Other faults may be there."))

        assert "<b>Other faults may be there.</b>" in report_from_record(load(folder)).decode()

    def test_further_steps_stand_in_it(self, make_record: MakeRecord) -> None:
        """Each with what it does and what each suspect would read; or why none is proposed."""
        folder = make_record()
        keep_explanation(folder, explanation(folder, steps=(STEP,)))
        page = report_from_record(load(folder)).decode()
        keep_explanation(folder, explanation(folder, no_steps="a short is among the suspects"))

        assert "Under power, once nothing cold is left to measure" in page
        assert "soak: half an hour (about 33 min); it is told by soak: case temperature" in page
        assert "output too low: 30 degC" in page
        withheld = report_from_record(load(folder)).decode()
        assert "<b>No step under power is proposed:</b> a short is among the suspects." in withheld

    def test_a_report_is_the_same_whenever_it_is_made(self, make_record: MakeRecord) -> None:
        """It rests on the record and what is kept beside it alone."""
        folder = make_record()
        keep_explanation(folder, explanation(folder))

        assert report_from_record(load(folder)) == report_from_record(load(folder))

    def test_without_an_answer_nothing_is_said(self, make_record: MakeRecord) -> None:
        """The report of a run about which nobody asked names no suspect."""
        assert "most likely explains" not in report_from_record(load(make_record())).decode()

    def test_of_a_released_unit_it_is_a_remark(self, make_record: MakeRecord) -> None:
        """A released unit's report has what passed narrowly, and no table of suspects."""
        folder = make_record()
        keep_explanation(folder, explanation(folder, released=True, passed=True))
        page = report_from_record(load(folder)).decode()

        assert "<h2>Remark</h2>" in page
        assert REMARK in page
        assert "passed narrowly: it would be pushed beyond its limit by a dry capacitor" in page
        assert "<th>Suspect</th>" not in page
        assert "Measure next" not in page

    def test_a_released_unit_that_needs_no_word_gets_none(self, make_record: MakeRecord) -> None:
        """Where nothing is narrow and nothing wrong is needed, the report is as ever."""
        folder = make_record()
        before = report_from_record(load(folder))
        usual = explanation(folder, released=True, passed=True, nothing_wrong=True, pushes=())
        keep_explanation(folder, usual)

        assert report_from_record(load(folder)) == before

    def test_text_of_a_changed_file_is_escaped(self, make_record: MakeRecord) -> None:
        """Markup in what is kept stays text."""
        folder = make_record()
        keep_explanation(folder, explanation(folder, headline="<script>alert(1)</script>"))
        page = report_from_record(load(folder)).decode()

        assert "<script>alert" not in page


class TestWorthTelling:
    @pytest.mark.parametrize(("probability", "worth"), [(0.48, False), (0.6, True)])
    def test_of_a_run_that_passed_only_a_likely_fault(
        self, probability: float, worth: bool
    ) -> None:
        """A fault that is no likelier than not is no remark; of a run that failed all is told."""
        first = explanation().suspects[0].model_copy(update={"probability": probability})
        remark = explanation(passed=True, pushes=(), suspects=(first,))

        assert worth_telling(remark) is worth
        assert worth_telling(remark.model_copy(update={"passed": False}))
