from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import (
    CommandRefused,
    LinkError,
    LinkTimeout,
    NoReading,
    PowerOffUnconfirmed,
)
from harness.power.commands import Arm, Set, SetLoad, SwitchOn
from harness.power.trip import Tripped, TripReason

if TYPE_CHECKING:
    from tests.power.conftest import Wire

from importlib import util
from pathlib import Path

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"


def fresh_wire() -> Wire:
    """Return a bench of its own for each example of a law."""
    spec = util.spec_from_file_location("wire", Path(__file__).with_name("conftest.py"))
    assert spec is not None
    assert spec.loader is not None
    module = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    wire: Wire = module.Wire(module.LIMITS)
    return wire


def energise(wire: Wire) -> None:
    wire.host.command(Arm(2.4, 0.3))
    wire.host.command(SwitchOn())
    wire.supply.messages.clear()
    wire.load.messages.clear()


class TestEnergising:
    def test_the_wire_sees_the_order_of_the_safety_rule(self, wire: Wire) -> None:
        """Clear, off confirmed, protection, limit, voltage, each read back, errors, then on."""
        wire.host.command(Arm(2.4, 0.3))
        wire.host.command(SwitchOn())

        assert wire.supply.messages == [
            "*CLS",
            "OUTP OFF",
            "OUTP?",
            "VOLT:PROT 26.400",
            "VOLT:PROT?",
            "CURR 0.3000",
            "CURR?",
            "VOLT 2.400",
            "VOLT?",
            "SYST:ERR?",
            "OUTP ON",
            "OUTP?",
        ]

    def test_an_output_that_will_not_go_off_is_never_switched_on(self, wire: Wire) -> None:
        """When off is not confirmed at the start, nothing is set and the keeper says so."""
        wire.supply.answers["OUTP?"] = lambda: "1"

        with pytest.raises(PowerOffUnconfirmed, match="COULD NOT BE CONFIRMED"):
            wire.host.command(Arm(2.4, 0.3))
        assert "OUTP ON" not in wire.supply.messages

    def test_a_limit_that_reads_back_wrong_stops_before_power(self, wire: Wire) -> None:
        """A read-back that differs from what was sent stops the arming; power never comes."""
        wire.supply.answers["CURR?"] = lambda: "3.0"

        with pytest.raises(Tripped) as caught:
            wire.host.command(Arm(2.4, 0.3))
        assert caught.value.trip.reason is TripReason.READBACK
        assert not caught.value.trip.live
        assert "OUTP ON" not in wire.supply.messages

    def test_a_limit_that_reads_back_as_no_number_stops_before_power(
        self, wire: Wire, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Not-a-number agrees with no setting, wherever it came from."""
        monkeypatch.setattr(wire.host._instruments["supply"], "value", lambda _: math.nan)

        with pytest.raises(Tripped) as caught:
            wire.host.command(Arm(2.4, 0.3))
        assert caught.value.trip.reason is TripReason.READBACK

    def test_an_entry_in_the_error_queue_stops_before_power(self, wire: Wire) -> None:
        """An error the instrument reports after the set-up stops the arming."""
        entries = iter(['-222,"Data out of range"', '0,"No error"'])
        wire.supply.answers["SYST:ERR?"] = lambda: next(entries)

        with pytest.raises(Tripped, match="-222 Data out of range"):
            wire.host.command(Arm(2.4, 0.3))
        assert "OUTP ON" not in wire.supply.messages


class TestOneReadingOutside:
    def test_off_is_the_very_next_message(self, wire: Wire) -> None:
        """Between the reading outside the envelope and output off there is no message."""
        energise(wire)
        wire.reads("2.4", "1.6")

        with pytest.raises(Tripped):
            wire.host.sample()
        assert wire.supply.messages == [SAMPLE, "OUTP OFF", "OUTP?"]
        assert wire.load.messages == ["INP OFF", "INP?"]

    def test_the_offending_reading_is_handed_on_after_power_is_off(self, wire: Wire) -> None:
        """The reading that tripped is recorded too, and only after power is off."""
        energise(wire)
        wire.reads("2.4", "1.6")

        with pytest.raises(Tripped):
            wire.host.sample()
        assert wire.samples[-1].current_a == 1.6
        assert [kind for kind, _ in wire.events] == ["power on", "trip", "power off"]

    @pytest.mark.parametrize(
        "answer",
        [
            "9.9E37;0.01",
            "2.4;-9.9E37",
            "2.4;9.91E37",
            "+9.90000000E+37;0.01",
            "nan;0.01",
            "inf;0.01",
            "2.4;",
            "2.4",
            "2.4;0.01;7",
            "",
            "garbage",
            "2.4 V;0.01",
            "0x10;0.01",
            "1_0;0.01",
        ],
    )
    def test_an_answer_that_is_no_reading_cuts_power_at_once(self, wire: Wire, answer: str) -> None:
        """Overload, not-a-number, missing, surplus and unparsable text are trips, never values."""
        energise(wire)
        wire.supply.answers[SAMPLE] = lambda: answer

        with pytest.raises(Tripped) as caught:
            wire.host.sample()
        assert caught.value.trip.reason is TripReason.NO_READING
        assert wire.supply.messages == [SAMPLE, "OUTP OFF", "OUTP?"]

    @given(
        st.floats(allow_nan=True, allow_infinity=True),
        st.floats(allow_nan=True, allow_infinity=True),
    )
    def test_whatever_the_supply_reads_outside_means_off_next(
        self, voltage_v: float, current_a: float
    ) -> None:
        """For any pair of values the next message is off, unless all is inside the envelope."""
        wire = fresh_wire()
        energise(wire)
        wire.reads(repr(voltage_v), repr(current_a))
        charged = voltage_v > 2.4 + 0.005 * 26.4  # from before: may give charge back
        least_a = -1.5 if charged else -0.05 * 0.3  # a share of the limit: noise about zero
        least_w = -36.0 if charged else least_a * max(abs(voltage_v), 2.4)
        inside = (
            abs(voltage_v) <= 26.4
            and least_a <= current_a <= 1.5
            and least_w <= voltage_v * current_a <= 36.0
        )

        if inside:
            wire.host.sample()
            assert wire.supply.messages == [SAMPLE]
        else:
            with pytest.raises(Tripped):
                wire.host.sample()
            assert wire.supply.messages[:2] == [SAMPLE, "OUTP OFF"]

    @given(st.text(max_size=40))
    def test_no_text_from_the_supply_ever_raises_anything_but_a_trip(self, answer: str) -> None:
        """Whatever text comes back, it is either a reading inside the envelope or a trip."""
        wire = fresh_wire()
        energise(wire)
        wire.supply.answers[SAMPLE] = lambda: answer

        try:
            wire.host.sample()
        except Tripped:
            assert wire.supply.messages[1] == "OUTP OFF"
        else:
            assert wire.supply.messages == [SAMPLE]


class TestRead:
    def test_with_the_output_off_a_failed_reading_changes_nothing(self, wire: Wire) -> None:
        """Nothing is energised: the error is told, and no trip is kept."""
        wire.load.answers["MEAS:VOLT?;:MEAS:CURR?;:MEAS:POW?"] = lambda: "garbage"

        with pytest.raises(NoReading):
            wire.host.read("load", "voltage", "current", "power")
        assert wire.host.trip is None
        assert wire.supply.messages == []

    @pytest.mark.parametrize("live", [False, True], ids=["armed", "live"])
    def test_with_power_on_or_to_come_a_failed_reading_cuts_it(
        self, wire: Wire, live: bool
    ) -> None:
        """From arming on, a load that gives no reading is output off as the next message."""
        wire.host.command(Arm(2.4, 0.3))
        if live:
            wire.host.command(SwitchOn())
        wire.supply.messages.clear()
        wire.load.answers["MEAS:VOLT?"] = lambda: "garbage"

        with pytest.raises(Tripped) as caught:
            wire.host.read("load", "voltage")
        assert caught.value.trip.reason is TripReason.NO_READING
        assert caught.value.trip.live is live
        assert wire.supply.messages == ["OUTP OFF", "OUTP?"]


class TestCommandsOnTheWire:
    @given(st.floats(allow_nan=True, allow_infinity=True))
    def test_no_voltage_outside_the_envelope_reaches_the_wire(self, voltage_v: float) -> None:
        """Whatever voltage is asked for, no number above the envelope is ever sent."""
        wire = fresh_wire()
        energise(wire)
        try:
            wire.host.command(Set("voltage", voltage_v))
        except CommandRefused:
            assert wire.supply.messages == []
        else:
            sent = [float(m.split()[1]) for m in wire.supply.messages if m.startswith("VOLT ")]
            assert all(0 <= value <= 26.4 for value in sent)

    def test_a_number_is_cut_and_never_rounded_up(self, wire: Wire) -> None:
        """A value between two steps of the instrument goes out as the lower one."""
        energise(wire)
        wire.host.command(Set("voltage", 26.39999))

        assert wire.supply.messages[0] == "VOLT 26.399"

    def test_a_load_is_set_before_it_is_switched_on(self, wire: Wire) -> None:
        """Function and current are set and read back before the load's input is switched on."""
        energise(wire)
        wire.host.command(SetLoad("current", 1.25))

        assert wire.load.messages == [
            "FUNC CURR",
            "CURR 1.2500",
            "CURR?",
            "INP ON",
            "INP?",
            "SYST:ERR?",
        ]


class TestPowerOff:
    def test_a_supply_that_ignores_off_is_told_again_and_then_said_loudly(self, wire: Wire) -> None:
        """Five tries, then an error that tells the operator to cut the mains."""
        energise(wire)
        wire.supply.answers["OUTP?"] = lambda: "1"

        with pytest.raises(PowerOffUnconfirmed, match="cut the mains of the supply by hand"):
            wire.host.power_off()
        assert wire.supply.messages.count("OUTP OFF") == 5
        assert "INP OFF" in wire.load.messages

    def test_a_dead_load_does_not_keep_the_supply_on(self, wire: Wire) -> None:
        """The supply is off and confirmed whatever the load does."""
        energise(wire)

        def dead() -> str:
            raise LinkError("gone", instrument="load")

        wire.load.answers["INP?"] = dead
        wire.host.power_off()

        assert wire.supply.messages == ["OUTP OFF", "OUTP?"]

    def test_a_passing_silence_while_switching_off_is_survived(self, wire: Wire) -> None:
        """One timeout while switching off leads to another try, not to giving up."""
        energise(wire)
        answers = iter([LinkTimeout("no answer", instrument="supply"), "0"])

        def answer() -> str:
            entry = next(answers)
            if isinstance(entry, Exception):
                raise entry
            return entry

        wire.supply.answers["OUTP?"] = answer
        wire.host.power_off()

        assert wire.supply.messages == ["OUTP OFF", "OUTP?", "OUTP OFF", "OUTP?"]

    def test_it_is_told_once_and_only_after_power(self, wire: Wire) -> None:
        """Off ends what was on: it is an event then, and none where power never came."""
        wire.host.command(Arm(2.4, 0.3))
        wire.host.power_off()
        assert wire.events == []

        energise(wire)
        wire.host.power_off()
        wire.host.power_off()
        assert wire.events == [("power on", ""), ("power off", "confirmed")]

    def test_switching_off_twice_is_harmless(self, wire: Wire) -> None:
        """Power off can be asked for at any time, also when it is off already."""
        energise(wire)
        wire.host.power_off()
        wire.host.power_off()

        assert wire.supply.messages.count("OUTP OFF") == 2
