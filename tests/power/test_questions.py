from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import pytest

from harness.power.commands import Arm, LoadOff, Set, SetLoad, SwitchOn
from harness.power.moves import Check, Confirm, Questions
from harness.power.trip import Tripped, TripReason

if TYPE_CHECKING:
    from tests.power.conftest import Wire

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"
SUPPLY = ["*IDN?", "SYST:ERR?", "VOLT:PROT?", "CURR?", "VOLT?", "OUTP?"]


def energised(wire: Wire) -> Wire:
    """Return the bench with power on, its instruments introduced, nothing on the wire yet."""
    wire.host._instruments["supply"].identify_and_clear()
    wire.host._instruments["load"].identify_and_clear()
    wire.host.command(Arm(2.4, 0.3))
    wire.host.command(SwitchOn())
    forget(wire)
    return wire


def forget(wire: Wire) -> None:
    wire.supply.messages.clear()
    wire.load.messages.clear()


def samples(wire: Wire, duration_s: float) -> None:
    """Sample for so long, as fast as the link allows."""
    end_s = wire.clock.now_s() + duration_s
    while wire.clock.now_s() < end_s:
        wire.host.sample()


def asked(messages: list[str]) -> list[str]:
    return [message for message in messages if message != SAMPLE]


class TestTurns:
    def test_the_oldest_question_is_next_and_one_told_again_waits(self) -> None:
        """Each question in turn; what is told again takes the place of what was told before."""
        questions = Questions()
        first = Confirm("supply", "voltage_setting", 2.4, kept=True)
        questions.told([first], 0.0)
        assert questions.due(0.49) is None
        assert questions.due(0.5) == first
        again = Confirm("supply", "voltage_setting", 6.0)
        questions.told([again], 0.6)

        turn = [questions.due(1.2) for _ in range(3)]
        assert turn[:2] == [Check("supply", "identity"), Check("supply", "errors")]
        assert turn[2] == Confirm("supply", "voltage_setting", 6.0, kept=True)
        assert questions.due(1.2) is None

    @pytest.mark.parametrize("answer_s", [0.001, 0.01])
    def test_on_a_fast_link_each_is_put_twice_a_second(self, wire: Wire, answer_s: float) -> None:
        """Every setting, the output's state, the identity and the errors, each 0.5 s at most."""
        energised(wire)
        samples(wire, 0.6)
        times: dict[str, list[float]] = {}
        end_s = wire.clock.now_s() + 5.0
        while wire.clock.now_s() < end_s:
            forget(wire)
            wire.clock.sleep_s(answer_s)
            wire.host.sample()
            for message in asked(wire.supply.messages):
                times.setdefault(message, []).append(wire.clock.now_s())

        assert sorted(times) == sorted(SUPPLY)
        for at_s in times.values():
            gaps_s = [later - sooner for sooner, later in itertools.pairwise(at_s)]
            assert max(gaps_s) <= 0.5

    def test_no_sample_waits_for_more_than_one_question(self, wire: Wire) -> None:
        """On a slow link the questions go out one between two samples, all in their turn."""
        energised(wire)
        wire.host.command(SetLoad("current", 1.0))
        forget(wire)
        questions: list[str] = []
        for _ in range(20):
            wire.clock.sleep_s(0.1)
            forget(wire)
            wire.host.sample()
            between = asked([*wire.load.messages, *wire.supply.messages])
            assert len(between) <= 1
            questions += between

        assert set(questions) >= {*SUPPLY, "CURR?", "INP?"}

    def test_a_level_that_begins_is_not_disturbed(self, wire: Wire) -> None:
        """The half second counts from the last command: a level's rise has readings alone."""
        energised(wire)
        wire.clock.sleep_s(0.6)
        wire.host.command(Set("voltage", 4.8))
        forget(wire)
        wire.clock.sleep_s(0.4)
        wire.host.sample()

        assert wire.supply.messages == [SAMPLE]


class TestOutOfStep:
    @pytest.mark.parametrize(
        ("question", "answer", "reason"),
        [
            ("OUTP?", "2.4;0.01", TripReason.NO_READING),
            ("OUTP?", "0", TripReason.OUTPUT_DROPPED),
            ("*IDN?", "1", TripReason.OUT_OF_STEP),
            ("*IDN?", "another instrument", TripReason.OUT_OF_STEP),
            ("CURR?", "2.4;0.01", TripReason.NO_READING),
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

        with pytest.raises(Tripped) as caught:
            samples(wire, 1.0)
        assert caught.value.trip.reason is reason
        after = wire.supply.messages[wire.supply.messages.index(question) :]
        emptied = 2 if question == "SYST:ERR?" else 1  # the queue is emptied first
        assert after[emptied] == "OUTP OFF"


class TestChangedBehindOurBack:
    @pytest.mark.parametrize(
        ("header", "value", "said"),
        [
            ("CURR", "5", "the current limit reads 5 A where 300 mA was set"),
            ("VOLT", "5.2", "the voltage reads 5.2 V where 2.4 V was set"),
            ("VOLT:PROT", "60", "the voltage protection reads 60 V where 26.4 V was set"),
        ],
    )
    def test_a_setting_of_the_supply_that_changes_cuts_power_within_half_a_second(
        self, wire: Wire, header: str, value: str, said: str
    ) -> None:
        """What somebody else sets at the panel is found, and told from a wrong read-back."""
        energised(wire)
        samples(wire, 0.7)
        wire.supply.settings[header] = value
        changed_s = wire.clock.now_s()

        with pytest.raises(Tripped, match=said) as caught:
            samples(wire, 1.0)
        assert caught.value.trip.reason is TripReason.SETTING_CHANGED
        assert caught.value.trip.time_s - changed_s <= 0.5

    @pytest.mark.parametrize(
        ("header", "value", "said"),
        [
            ("CURR", "1.8", "the current reads 1.8 A where 1 A was set"),
            ("INP", "0", "it reports off where on was set"),
        ],
    )
    def test_what_the_load_was_told_is_asked_again(
        self, wire: Wire, header: str, value: str, said: str
    ) -> None:
        """A load set otherwise, or switched off by hand, cuts power as well."""
        energised(wire)
        wire.host.command(SetLoad("current", 1.0))
        samples(wire, 1.0)
        wire.load.settings[header] = value

        with pytest.raises(Tripped, match=said) as caught:
            samples(wire, 1.0)
        assert caught.value.trip.reason is TripReason.SETTING_CHANGED

    def test_a_load_that_was_told_off_must_stay_off(self, wire: Wire) -> None:
        """A load somebody switches on after its step is found."""
        energised(wire)
        wire.host.command(SetLoad("current", 1.0))
        wire.host.command(LoadOff())
        samples(wire, 1.0)
        wire.load.settings["INP"] = "1"

        with pytest.raises(Tripped) as caught:
            samples(wire, 1.0)
        assert caught.value.trip.reason is TripReason.SETTING_CHANGED

    def test_the_register_of_the_loads_other_function_is_nobodys_setting(self, wire: Wire) -> None:
        """After a change from current to power only the power is asked for."""
        energised(wire)
        wire.keeper._loads["load"]._bounds["power"] = (0.0, 12.0)
        wire.host.command(SetLoad("current", 1.0))
        wire.host.command(SetLoad("power", 6.0))
        wire.load.settings["CURR"] = "0"
        forget(wire)
        samples(wire, 2.0)

        assert "POW?" in wire.load.messages
        assert "CURR?" not in wire.load.messages

    def test_what_we_set_ourselves_is_no_change(self, wire: Wire) -> None:
        """A new setting is what is expected from then on."""
        energised(wire)
        for limit_a in (0.3, 0.9, 1.5):
            wire.host.command(Set("current_limit", limit_a))
            wire.host.command(Set("voltage", limit_a * 10))
            samples(wire, 1.0)

        assert wire.host.live
