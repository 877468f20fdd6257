"""Every question of a run, once before power: what is asked, and what is told."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import pytest

from harness.api import plan_for, simulated_bench_file
from harness.bench.dialect import Dialect, load_dialect
from harness.bench.roles import Instrument
from harness.bench.trial import questions_of, try_questions
from harness.errors import LinkTimeout
from harness.power.local_bench import LocalBench
from harness.profile.load import load_bench, load_profile

if TYPE_CHECKING:
    from tests.power.conftest import Wire, WireLink

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"
SUPPLY = (
    "output_state",
    "voltage_setting",
    "current_limit_setting",
    "voltage_protection_setting",
    "current_protection_setting",
    "watchdog_setting",
    "measure_current_peak",
    "sample",
)


def supply(wire: Wire, dialect: Dialect | None = None) -> Instrument:
    return Instrument(wire.supply, dialect or load_dialect("scpi-dc-supply"), wire.clock)


def meter(wire: Wire) -> Instrument:
    return Instrument(wire.load, load_dialect("scpi-meter"), wire.clock)


def silent(link: WireLink, message: str) -> None:
    """Let a question go unanswered."""

    def answer() -> str:
        raise LinkTimeout("no answer in time", instrument=link.name, message=message)

    link.answers[message] = answer


class TestQuestions:
    def test_are_those_of_the_plan(self) -> None:
        """A plan with a load step asks sample and setting of its load, and what its checks read."""
        profile = load_profile("dome-shutter-full-release")
        plan = plan_for(profile, simulated_bench_file(profile))

        questions = questions_of(plan)

        assert questions["supply"] == (*SUPPLY[:-2], "frequency_setting", *SUPPLY[-2:])
        assert questions["load"] == ("input_state", "current_setting", "sample")
        assert {"measure_voltage_dc", "measure_resistance"} <= set(questions["meter"])
        assert "measure_current_dc" not in questions["meter"]

    def test_a_load_that_stays_off_is_asked_its_state_alone(self) -> None:
        """Without a load step no reading and no setting of the load is asked."""
        profile = load_profile("mount-controller-board")

        questions = questions_of(plan_for(profile, simulated_bench_file(profile)))

        assert questions["load"] == ("input_state",)
        assert questions["supply"] == SUPPLY


class TestTrial:
    def test_nothing_but_questions_goes_out(self, wire: Wire) -> None:
        """Each question goes out once, then the error queue; nothing is set, nothing switched."""
        assert try_questions(supply(wire), SUPPLY) == ()
        assert wire.supply.messages == [
            "OUTP?",
            "VOLT?",
            "CURR?",
            "VOLT:PROT?",
            SAMPLE,
            "SYST:ERR?",
        ]

    @pytest.mark.parametrize(
        ("question", "answer", "says"),
        [
            (SAMPLE, "0.001,0.0", 'write under [sample]: separator = ","'),
            (SAMPLE, "0.001V;0.0A", 'measure_voltage = "{value}V"\nmeasure_current = "{value}A"'),
            (SAMPLE, "0.001", "leave [sample] out"),
            (SAMPLE, "9.9E37;0", "check range and leads"),
            (SAMPLE, "", "its answer is empty"),
            (SAMPLE, SAMPLE, "an echo"),
            ("OUTP?", "OUTP OFF", 'output_state = "OUTP {value}"'),
            ("OUTP?", "CV", "another question for output_state"),
            ("VOLT?", "VOLT 0.000", 'voltage_setting = "VOLT {value}"'),
            ("CURR?", "Welcome", "may be a greeting"),
            ("SYST:ERR?", "none", "[ask] error"),
        ],
    )
    def test_what_cannot_be_read_is_told_with_message_answer_and_line(
        self, wire: Wire, question: str, answer: str, says: str
    ) -> None:
        """An answer that would cut power is told before: message, answer, and what is right."""
        wire.supply.answers[question] = lambda: answer

        [error] = try_questions(supply(wire), SUPPLY)

        assert says in str(error)
        assert error.message == question
        assert "OUTP ON" not in wire.supply.messages

    def test_all_of_them_are_told_at_once(self, wire: Wire) -> None:
        """One wrong answer does not hide the next."""
        wire.supply.answers["VOLT?"] = lambda: "5 V"
        wire.supply.answers["CURR?"] = lambda: "1 A"
        wire.supply.answers[SAMPLE] = lambda: "0,0"

        assert [error.message for error in try_questions(supply(wire), SUPPLY)] == [
            "VOLT?",
            "CURR?",
            SAMPLE,
        ]

    def test_the_lines_it_gives_make_it_right(self, wire: Wire) -> None:
        """Put under their tables, the lines that were printed cure the dialect."""
        wire.supply.answers |= {
            "OUTP?": lambda: "OUTP OFF",
            "VOLT?": lambda: "VOLT 0.000 V",
            SAMPLE: lambda: "0.001V,0.0A",
        }
        wrong = try_questions(supply(wire), SUPPLY)
        lines = [line for error in wrong for line in error.write]
        data = load_dialect("scpi-dc-supply").model_dump(by_alias=True, exclude={"link"})
        data["sample"] |= tomllib.loads(
            "\n".join(line for line in lines if line.startswith("separator"))
        )
        data["answers"] = tomllib.loads(
            "\n".join(line for line in lines if not line.startswith("separator"))
        )

        own = Dialect.model_validate({**data, "name": "own"})

        assert len(lines) == 5
        assert try_questions(supply(wire, own), SUPPLY) == ()

    def test_open_leads_of_a_meter_are_no_fault(self, wire: Wire) -> None:
        """Overload with the output off is a fine answer of a meter (SCPI-1999 vol. 1, 7.2.1)."""
        wire.load.answers["MEAS:RES?"] = lambda: "9.9E37"

        assert try_questions(meter(wire), ("measure_resistance",)) == ()

    def test_not_a_number_of_a_meter_is_one(self, wire: Wire) -> None:
        """Not-a-number is an overload nowhere: it would cut power, so it is told."""
        wire.load.answers["MEAS:VOLT:DC?"] = lambda: "9.91E37"

        assert len(try_questions(meter(wire), ("measure_voltage_dc",))) == 1

    def test_a_question_that_is_not_answered_names_its_operation(self, wire: Wire) -> None:
        """A time-out most often means a message that is not understood; the others go on."""
        silent(wire.supply, "VOLT:PROT?")

        [error] = try_questions(supply(wire), SUPPLY)

        assert "mend the message of voltage_protection_setting, or leave it out" in str(error)
        assert wire.supply.reopened == 1
        assert SAMPLE in wire.supply.messages

    def test_an_instrument_that_is_dumb_is_not_asked_for_ever(self, wire: Wire) -> None:
        """After three time-outs no more is asked."""
        for message in ("OUTP?", "VOLT?", "CURR?", "VOLT:PROT?"):
            silent(wire.supply, message)

        assert len(try_questions(supply(wire), SUPPLY)) == 3

    def test_what_it_reports_afterwards_is_told(self, wire: Wire) -> None:
        """A question it does not know leaves an entry in its error queue."""
        entries = iter(['-113,"Undefined header"', '0,"No error"'])
        wire.supply.answers["SYST:ERR?"] = lambda: next(entries)

        [error] = try_questions(supply(wire), SUPPLY)

        assert "-113 Undefined header; its dialect asks what it does not know" in str(error)


class TestBench:
    def test_asks_every_instrument_what_is_its(self, wire: Wire) -> None:
        """Supply and load are asked their own questions; a role that is not there is left out."""
        load = Instrument(wire.load, load_dialect("scpi-load"), wire.clock)
        bench = LocalBench(
            load_bench("bench-simulated-dc"),
            wire.clock,
            {"supply": supply(wire), "load": load},
        )
        wire.load.answers["INP?"] = lambda: "INP:0"
        asked: dict[str, tuple[str, ...]] = {
            "supply": SUPPLY,
            "meter": (),
            "load": ("input_state",),
        }

        [text] = bench.try_questions(asked)

        assert text.startswith("load (wire), at 'INP?': 'INP:0' is not 0 or 1 alone")
