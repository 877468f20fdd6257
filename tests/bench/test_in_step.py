from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from harness.bench.commands import Arm, SetLoad, SetVoltage, SwitchOn
from harness.bench.trip import Tripped, TripReason

if TYPE_CHECKING:
    from tests.bench.conftest import Wire

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"
IN_STEP = ["OUTP?", "*IDN?", "SYST:ERR?"]


def energised(wire: Wire) -> Wire:
    """Return the bench with power on, its instruments introduced, nothing on the wire yet."""
    wire.host._supply.introduce()
    wire.host._load.introduce()
    wire.host.command(Arm(2.4, 0.3))
    wire.host.command(SwitchOn())
    wire.supply.messages.clear()
    wire.load.messages.clear()
    return wire


class TestOutOfStep:
    def test_other_questions_are_put_between_readings(self, wire: Wire) -> None:
        """After half a second of readings come output state, identity and errors, once."""
        energised(wire)
        wire.host.sample()
        wire.clock.sleep_s(0.6)
        wire.host.sample()
        wire.host.sample()

        assert wire.supply.messages == [SAMPLE, *IN_STEP, SAMPLE, SAMPLE]

    def test_a_level_that_begins_is_not_disturbed(self, wire: Wire) -> None:
        """The half second counts from the last command: a level's rise has readings alone."""
        energised(wire)
        wire.clock.sleep_s(0.6)
        wire.host.command(SetVoltage(4.8))
        wire.supply.messages.clear()
        wire.clock.sleep_s(0.4)
        wire.host.sample()

        assert wire.supply.messages == [SAMPLE]

    @pytest.mark.parametrize(
        ("question", "answer", "reason"),
        [
            ("OUTP?", "2.4;0.01", TripReason.NO_READING),
            ("OUTP?", "0", TripReason.OUTPUT_DROPPED),
            ("*IDN?", "1", TripReason.OUT_OF_STEP),
            ("*IDN?", "another instrument", TripReason.OUT_OF_STEP),
            ("SYST:ERR?", '-310,"System error"', TripReason.INSTRUMENT_ERROR),
        ],
    )
    def test_an_answer_to_another_question_cuts_power(
        self, wire: Wire, question: str, answer: str, reason: TripReason
    ) -> None:
        """An answer that cannot belong to the question makes output off the next message."""
        energised(wire)
        answers = iter([answer])
        wire.supply.answers[question] = lambda: next(answers, "0")
        wire.clock.sleep_s(0.6)

        with pytest.raises(Tripped) as caught:
            wire.host.sample()
        assert caught.value.trip.reason is reason
        until = IN_STEP[: IN_STEP.index(question) + 1]
        if question == "SYST:ERR?":
            until.append(question)  # the queue is emptied
        assert wire.supply.messages[: len(until) + 1] == [*until, "OUTP OFF"]

    def test_the_load_is_asked_while_it_draws(self, wire: Wire) -> None:
        """A load that is switched on is asked as well, one that is off is left alone."""
        energised(wire)
        wire.clock.sleep_s(0.6)
        wire.host.sample()
        assert wire.load.messages == []
        wire.host.command(SetLoad("current", 1.0))
        wire.load.messages.clear()
        wire.clock.sleep_s(0.6)
        wire.host.sample()

        assert wire.load.messages == ["*IDN?", "SYST:ERR?"]
