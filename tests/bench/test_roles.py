"""What instruments make of answers, by dialects of the user's own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from harness.bench.dialect import Dialect, load_dialect
from harness.bench.roles import Instrument
from harness.errors import LinkTimeout, NoReading, Overload, ReportedError, UnexpectedReply
from harness.power.commands import KeeperState
from harness.power.trip import Tripped

if TYPE_CHECKING:
    from tests.power.conftest import Wire

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"


def own(name: str, **tables: Any) -> Dialect:
    """Return a built-in dialect with tables of the user's own, as a file would give it."""
    data = load_dialect(name).model_dump(by_alias=True, exclude={"link"})
    return Dialect.model_validate({**data, "name": "own", **tables})


def supply(wire: Wire, **tables: Any) -> Instrument:
    return Instrument(wire.supply, own("scpi-dc-supply", **tables), wire.clock)


def meter(wire: Wire, **tables: Any) -> Instrument:
    return Instrument(wire.load, own("scpi-meter", **tables), wire.clock)


class TestStatus:
    # SCPI-1999 volume 1, STATus:QUEStionable: bit 0 VOLTage, bit 1 CURRent questionable; a supply
    # in constant current does not hold its voltage, so many set bit 0 then (common practice).
    @pytest.mark.parametrize("bits", ["0", "1", "2", "3"])
    def test_a_built_in_dialect_reads_no_bits(self, wire: Wire, bits: str) -> None:
        """With a built-in dialect the register is not asked, whatever it says."""
        wire.supply.answers["STAT:QUES:COND?"] = lambda: bits
        wire.reads("1.2", "0.3")

        sample = Instrument(wire.supply, load_dialect("scpi-dc-supply"), wire.clock).sample()

        assert (sample.limiting, sample.protection) == (None, False)
        assert wire.supply.messages == [SAMPLE]

    @pytest.mark.parametrize(
        ("bits", "limiting", "protection"),
        [("0", False, False), ("1", True, False), ("9", True, True)],
    )
    def test_weights_of_the_user_s_own_count(
        self, wire: Wire, bits: str, *, limiting: bool, protection: bool
    ) -> None:
        """Weights that a dialect states are read: within the sample, or by a question beside it."""
        weights = {"protection": 8, "current_limit": 1}
        sampled = {"ask": f"{SAMPLE};:STAT:QUES:COND?", "answer": ["voltage", "current", "status"]}
        wire.supply.answers[sampled["ask"]] = lambda: f"1.2;0.3;{bits}"
        wire.supply.answers["STAT:QUES:COND?"] = lambda: bits
        wire.reads("1.2", "0.3")

        within = supply(wire, status=weights, sample=sampled).sample()
        beside = supply(wire, status=weights).sample()

        assert (within.limiting, within.protection) == (limiting, protection)
        assert beside[1:] == within[1:]
        assert wire.supply.messages == [sampled["ask"], SAMPLE, "STAT:QUES:COND?"]


class TestSample:
    def test_another_separator_is_read(self, wire: Wire) -> None:
        """A compound answer is parted as the dialect says, blanks of any number as one."""
        for separator, answer in ((",", "1.20, 0.3"), (" ", "1.20   0.3")):
            wire.supply.answers[SAMPLE] = lambda answer=answer: answer
            sample = {"ask": SAMPLE, "answer": ["voltage", "current"], "separator": separator}

            read = supply(wire, sample=sample).sample()

            assert (read.voltage_v, read.current_a) == (1.2, 0.3)

    def test_its_parts_may_carry_units(self, wire: Wire) -> None:
        """What [answers] says of a question holds for its part of the sample."""
        wire.supply.answers[SAMPLE] = lambda: "1.20V;0.3A"
        answers = {"measure_voltage": "{value}V", "measure_current": "{value}A"}

        read = supply(wire, answers=answers).sample()

        assert (read.voltage_v, read.current_a) == (1.2, 0.3)

    def test_real_power_beside_it_is_asked(self, wire: Wire) -> None:
        """Power that a dialect can measure is measured, though its sample leaves it out."""
        wire.reads("1.2", "0.3")
        wire.supply.answers["MEAS:POW?"] = lambda: "0.2"
        ask = {**load_dialect("scpi-dc-supply").ask, "measure_power": "MEAS:POW?"}

        assert supply(wire, ask=ask).sample().power_w == 0.2


class TestAdvice:
    def test_a_unit_is_the_dialect_s_fault(self, wire: Wire) -> None:
        """A number with a unit says which line of the dialect would be right."""
        wire.load.answers["MEAS:VOLT:DC?"] = lambda: "24.01,VDC"

        with pytest.raises(NoReading) as caught:
            meter(wire).read("voltage_dc")

        assert str(caught.value) == (
            "load (wire), at 'MEAS:VOLT:DC?': '24.01,VDC' is not a number alone; its dialect must "
            "say where the value stands; write under [answers]: "
            'measure_voltage_dc = "{value},VDC"'
        )

    def test_the_line_cures_it(self, wire: Wire) -> None:
        """With that line in the dialect the answer is read."""
        wire.load.answers["MEAS:VOLT:DC?"] = lambda: "24.01,VDC"

        cured = meter(wire, answers={"measure_voltage_dc": "{value},VDC"})

        assert cured.read("voltage_dc") == {"voltage_dc": 24.01}

    def test_a_built_in_dialect_is_copied_first(self, wire: Wire) -> None:
        """Nobody writes into a dialect that comes with the program."""
        wire.load.answers["MEAS:VOLT:DC?"] = lambda: "24.01,VDC"
        built_in = Instrument(wire.load, load_dialect("scpi-meter"), wire.clock)

        with pytest.raises(NoReading, match=r"copy the built-in dialect \(.*scpi-meter\.toml\)"):
            built_in.read("voltage_dc")

    def test_a_copy_is_the_user_s_own_whatever_its_name(self, wire: Wire, tmp_path: Path) -> None:
        """A copy that kept its name is changed where it stands, not copied again."""
        known = load_dialect("scpi-meter").built_in
        assert known is not None
        (tmp_path / "copy.toml").write_bytes(known.read_bytes())
        wire.load.answers["MEAS:VOLT:DC?"] = lambda: "24.01,VDC"
        copy = Instrument(wire.load, load_dialect("copy.toml", tmp_path), wire.clock)

        with pytest.raises(NoReading) as caught:
            copy.read("voltage_dc")
        assert "copy the built-in" not in str(caught.value)

    @pytest.mark.parametrize("answer", ["9.9E37", "9.9E37,VDC"])
    def test_overload_is_range_and_leads(self, wire: Wire, answer: str) -> None:
        """Overload keeps its advice, with the unit or, as some send it, without."""
        wire.load.answers["MEAS:VOLT:DC?"] = lambda: answer

        with pytest.raises(Overload) as caught:
            meter(wire, answers={"measure_voltage_dc": "{value},VDC"}).read("voltage_dc")
        assert caught.value.remedy == "check range and leads"

    def test_a_bare_number_where_a_unit_is_due_is_none(self, wire: Wire) -> None:
        """Where the dialect has a unit, a number without it may be in any other."""
        wire.load.answers["MEAS:VOLT:DC?"] = lambda: "24.01"

        with pytest.raises(NoReading):
            meter(wire, answers={"measure_voltage_dc": "{value},VDC"}).read("voltage_dc")

    @pytest.mark.parametrize(
        ("answer", "says"),
        [
            ("", "its answer is empty"),
            ("SYST:ERR?", "an echo"),
            ("Welcome", "needs a question under [ask] error"),
        ],
    )
    def test_an_error_queue_that_is_none_has_its_own(
        self, wire: Wire, answer: str, says: str
    ) -> None:
        """What comes in the place of an entry of the error queue is told apart as well."""
        wire.supply.answers["SYST:ERR?"] = lambda: answer

        with pytest.raises(UnexpectedReply) as caught:
            supply(wire).check_errors()
        assert says in str(caught.value)


class TestState:
    @pytest.mark.parametrize("answer", ['"OFF"', "'off'", ' " OFF " ', "OFF ", "0", '"0"'])
    def test_quotes_and_blanks_change_nothing(self, wire: Wire, answer: str) -> None:
        """ON and OFF in quotes or among blanks are the states they say."""
        wire.supply.answers["OUTP?"] = lambda: answer

        assert supply(wire).state("output_state") is False

    @pytest.mark.parametrize("answer", ['"', "''", '"OFF', "\"OFF'", '""OFF""', "OFF OFF"])
    def test_half_quotes_are_no_state(self, wire: Wire, answer: str) -> None:
        """What is not wholly a state is never guessed at."""
        wire.supply.answers["OUTP?"] = lambda: answer

        with pytest.raises(NoReading, match="output_state"):
            supply(wire).state("output_state")


class TestRest:
    def rested(self, wire: Wire) -> Instrument:
        """Return a supply that rests 50 ms between any two messages."""
        return supply(wire, link={"rest": "50 ms"})

    def test_it_is_kept_between_any_two_messages(self, wire: Wire) -> None:
        """Question or setting: each waits until the rest after the one before is over."""
        rested, times_s = self.rested(wire), []
        for act in (
            rested.identify,
            lambda: rested.send("set_voltage", 1.0),
            lambda: rested.value("voltage_setting"),
            lambda: rested.send("clear"),
        ):
            act()
            times_s.append(wire.clock.now_s())

        assert times_s == pytest.approx([0.001, 0.052, 0.103, 0.154])

    def test_time_that_has_passed_counts(self, wire: Wire) -> None:
        """After a pause of its own nothing is waited for."""
        rested = self.rested(wire)
        rested.identify()
        wire.clock.sleep_s(1.0)
        rested.send("output_off")

        assert wire.clock.now_s() == pytest.approx(1.002)
        assert wire.supply.messages == ["*IDN?", "OUTP OFF"]

    def test_output_off_does_not_wait(self, wire: Wire) -> None:
        """Output off goes out at once, and again after the rest."""
        rested, off_s = self.rested(wire), []
        write = wire.supply.write

        def note(message: str) -> None:
            off_s.append(wire.clock.now_s())
            write(message)

        wire.supply.write = note  # type: ignore[method-assign]
        rested.identify()
        rested.send("output_off")

        assert wire.supply.messages == ["*IDN?", "OUTP OFF", "OUTP OFF"]
        assert off_s == pytest.approx([0.001, 0.052])


class TestBothAtOnce:
    def test_the_other_setting_is_said_as_it_was_set_last(self, wire: Wire) -> None:
        """Zero before it was set, then what really was set, in its own digits."""
        send = {
            **load_dialect("scpi-dc-supply").send,
            "set_voltage": "APPL {value},{current_limit}",
            "set_current_limit": "APPL {voltage},{value}",
        }
        both = supply(wire, send=send)

        both.send("set_current_limit", 0.3)
        both.send("set_voltage", 12.0)
        both.send("set_current_limit", 1.5)

        assert wire.supply.messages == [
            "APPL 0.000,0.3000",
            "APPL 12.000,0.3000",
            "APPL 12.000,1.5000",
        ]

    def test_braces_reach_nothing_but_numbers(self) -> None:
        """What looks like a format trick goes out as it stands."""
        trick = "{0.__class__} {value!r} %s {} {value}"
        dialect = own("scpi-dc-supply", send={"set_voltage": trick})

        assert dialect.message("set_voltage", 5.0) == "{0.__class__} {value!r} %s {} 5.000"


class TestAcknowledgement:
    def test_each_message_that_is_no_question_is_acknowledged(self, wire: Wire) -> None:
        """Anything but the acknowledgement is the instrument's error, with what it said."""
        wire.supply.answers["OUTP OFF"] = lambda: " OK"
        wire.supply.answers["OUTP ON"] = lambda: "E1"
        polite = supply(wire, link={"acknowledgement": "OK"})

        polite.send("output_off")
        with pytest.raises(ReportedError, match="it answers 'E1' where 'OK' is its ack"):
            polite.send("output_on")

    def test_none_is_waited_for_where_the_link_is_opened_again(self, wire: Wire) -> None:
        """Output off over a link that hangs goes out, and costs no time-out with power on."""

        def silent() -> str:
            raise AssertionError

        wire.supply.answers["OUTP OFF"] = silent
        supply(wire, link={"acknowledgement": "OK"}).send("output_off", heard=False)

        assert wire.supply.messages == ["OUTP OFF"]

    @pytest.mark.parametrize(("broken", "heard"), [("supply", 1), ("load", 2)])
    def test_it_is_read_where_another_link_is_lost(
        self, wire: Wire, broken: str, heard: int
    ) -> None:
        """With the load's link lost, the supply's stays in step: each off is acknowledged."""
        acknowledged: list[str] = []

        def okay() -> str:
            acknowledged.append("OK")
            return "OK"

        def silent() -> str:
            raise LinkTimeout("no answer in time", instrument=broken)

        wire.host._instruments = {  # type: ignore[misc]
            **wire.host._instruments,
            "supply": supply(wire, link={"acknowledgement": "OK"}),
        }
        wire.keeper.state = KeeperState.LIVE
        wire.supply.answers["OUTP OFF"] = okay
        wire.supply.answers["OUTP?"] = lambda: "0"
        (wire.supply if broken == "supply" else wire.load).answers["MEAS:CURR?"] = silent

        with pytest.raises(Tripped):
            wire.host.read(broken, "current")
        assert wire.supply.messages.count("OUTP OFF") == 2
        assert len(acknowledged) == heard


class TestConfigured:
    def test_once_until_another_measurement_is_made(self, wire: Wire) -> None:
        """Set up before the first reading, after another measurement, and with a new link."""
        configured = meter(
            wire,
            ask={"measure_voltage_dc": "READ?", "measure_resistance": "MEAS:RES?"},
            configure={"measure_voltage_dc": "CONF:VOLT:DC 100"},
        )

        for quantity in ("voltage_dc", "voltage_dc", "resistance", "voltage_dc"):
            configured.read(quantity)
        configured.reopen()
        configured.read("voltage_dc")

        once = ["CONF:VOLT:DC 100", "READ?"]
        assert wire.load.messages == [*once, "READ?", "MEAS:RES?", *once, *once]
