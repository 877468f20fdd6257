"""The outside bench's SCPI, against SCPI-1999 and IEEE 488.2 (clauses named; from memory)."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.outside.bench import Bench
from tests.outside.partner import OutsideBench
from tests.outside.scpi import Device


def device(role: str = "supply", kind: str = "dc") -> Device:
    found: Device = Bench({"kind": kind})._instruments[role].device
    found.handle("*CLS")
    return found


class TestHeaders:
    """SCPI-1999 volume 1, 6.2: forms, optional nodes, case, the path of a compound message."""

    @pytest.mark.parametrize(
        "message",
        [
            "VOLT 12",
            "voltage 12",
            ":SOURce:VOLTage:LEVel:IMMediate:AMPLitude 12",
            "sour:volt:imm 12",
            "SOUR1:VOLT1 12",
            "VOLT\t12",
            "VOLT 1.2E1",
            "VOLT +12.",
            "VOLT 12V",
            "VOLT 12000 mV",
            "VOLT 0.012 KV",
            "CURR 1;:VOLT 12",
            "CURR 1;VOLT 12",
            "SOUR:CURR 1;VOLT 12",
            "CURR 1;*WAI;VOLT 12",
        ],
    )
    def test_what_is_taken(self, message: str) -> None:
        """Long and short form, optional nodes, either case, suffixes and compounds are taken."""
        supply = device()

        assert supply.handle(message) is None
        assert supply.handle("VOLT?") == "+1.200000E+01"
        assert supply.handle("SYST:ERR?") == '0,"No error"'

    @pytest.mark.parametrize(
        ("message", "error"),
        [
            ("VOLTA 12", '-113,"Undefined header"'),
            ("VOLTAG 12", '-113,"Undefined header"'),
            ("FOO?", '-113,"Undefined header"'),
            ("*FOO", '-113,"Undefined header"'),
            ("OUTP2 ON", '-114,"Header suffix out of range"'),
            ("VOLTAGEVOLTAGE 1", '-112,"Program mnemonic too long"'),
            ("SOUR:VOLT 1;SOUR:CURR 1", '-113,"Undefined header"'),
            ("VOLT:PROT 30;CURR 1", '-113,"Undefined header"'),
            ("VOLT", '-109,"Missing parameter"'),
            ("VOLT 1,2", '-108,"Parameter not allowed"'),
            ("VOLT 1,", '-102,"Syntax error"'),
            ("VOLT,1", '-103,"Invalid separator"'),
            ("VOLT 1A", '-131,"Invalid suffix"'),
            ("VOLT FOO", '-104,"Data type error"'),
            ('VOLT "12"', '-104,"Data type error"'),
            ("VOLT 1E99999", '-123,"Exponent too large"'),
            ("VOLT 61", '-222,"Data out of range"'),
            ("VOLT -1", '-222,"Data out of range"'),
            ("OUTP MAYBE", '-224,"Illegal parameter value"'),
            ("OUTP 1V", '-138,"Suffix not allowed"'),
            ("VOLT 1;;CURR 1", '-102,"Syntax error"'),
            ("VOLT\x01 1", '-101,"Invalid character"'),
            ("*IDN?;VOLT?", '-440,"Query UNTERMINATED after indefinite response"'),
        ],
    )
    def test_what_is_refused(self, message: str, error: str) -> None:
        """What is not SCPI is an error in the queue, by its number, and changes nothing."""
        supply = device()
        supply.handle(message)

        assert supply.handle("SYST:ERR?") == error
        assert supply.handle("OUTP?") == "0"

    def test_a_command_error_ends_the_message(self) -> None:
        """What was asked before a command error is answered, what comes after it is not."""
        supply = device()

        assert supply.handle("VOLT?;:FOO?;:CURR?") == "+0.000000E+00"

    def test_an_execution_error_does_not(self) -> None:
        """After a value out of range the rest of the message is carried out."""
        supply = device()
        supply.handle("VOLT 99;CURR 2")

        assert supply.handle("CURR?") == "+2.000000E+00"

    def test_answers_of_a_compound(self) -> None:
        """Answers of one message come in one line, parted by semicolons (IEEE 488.2, 8.4.2)."""
        answer = device().handle("MEAS:VOLT?;:MEAS:CURR?;:STAT:QUES:COND?")

        assert answer is not None
        assert len([float(text) for text in answer.split(";")]) == 3

    def test_bounds_can_be_asked(self) -> None:
        """MIN and MAX are taken as a setting and in a question (SCPI-1999 vol. 1, 7.2.1.2)."""
        supply = device()
        supply.handle("VOLT MAX")

        assert supply.handle("VOLT? MIN;VOLT?") == "+0.000000E+00;+6.000000E+01"


class TestStatus:
    """IEEE 488.2, 11; SCPI-1999 volume 2, SYSTem:ERRor."""

    def test_one_bad_header(self) -> None:
        """One bad header shows in the status byte, and once in event register and queue."""
        supply = device()
        supply.handle("*ESE 32")
        supply.handle("*SRE 32")
        supply.handle("FOO")

        answers = [supply.handle(text) for text in ("*STB?", "*ESR?", "*ESR?", "SYST:ERR?")]
        assert answers == ["100", "32", "0", '-113,"Undefined header"']
        assert supply.handle("SYST:ERR?") == '0,"No error"'

    def test_service_request_of_itself(self) -> None:
        """Bit 6 of the service request enable register cannot be set (IEEE 488.2, 11.3)."""
        supply = device()
        supply.handle("*SRE 255")

        assert supply.handle("*SRE?") == "191"

    def test_queue_overflow(self) -> None:
        """A full queue keeps its first errors, and its last becomes -350."""
        supply = device()
        for _ in range(20):
            supply.handle("FOO")
        errors = [supply.handle("SYST:ERR?") for _ in range(17)]

        assert errors[:15] == ['-113,"Undefined header"'] * 15
        assert errors[15:] == ['-350,"Queue overflow"', '0,"No error"']

    def test_reset_keeps_the_queue(self) -> None:
        """*RST switches off and clears no error; *CLS clears (IEEE 488.2, 10.32 and 10.3)."""
        supply = device()
        supply.handle("VOLT 5;CURR 1;:OUTP ON")
        supply.handle("FOO;*RST")
        supply.handle("*RST")

        assert supply.handle("OUTP?;VOLT?") == "0;+0.000000E+00"
        assert len(supply.errors) == 1
        supply.handle("*CLS")
        assert len(supply.errors) == 0

    def test_complete(self) -> None:
        """*OPC sets bit 0 of the event register, *OPC? answers 1."""
        supply = device()
        supply.handle("*OPC")

        assert supply.handle("*OPC?;*ESR?") == "1;1"


class TestServed:
    """Over TCP, in a process of its own."""

    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[OutsideBench]:
        """A DC bench whose meter takes 50 ms for an answer."""
        config = {"latency_s": {"meter": 0.05}, "messages": True}
        with OutsideBench(tmp_path / "bench", config) as bench:
            yield bench

    def test_latency(self, bench: OutsideBench) -> None:
        """An answer takes the stated latency, and no answer of the others does."""
        begin_s = time.monotonic()
        bench.say("meter", "MEAS:VOLT:DC?")

        assert time.monotonic() - begin_s >= 0.05
        assert bench.say("supply", "OUTP?", "VOLT?") == ["0", "+0.000000E+00"]

    def test_interrupted(self, bench: OutsideBench) -> None:
        """A message before the answer to the last was sent makes that answer void: -410."""
        first, second = bench.say("meter", "*CLS", "*OPC?")[0], None
        # the first question's answer never comes: the line that is read is the second one's
        second = bench.say("meter", "MEAS:VOLT:DC?\nSYST:ERR?")[0]

        assert first == "1"
        assert second == '-410,"Query INTERRUPTED"'

    def test_log(self, bench: OutsideBench) -> None:
        """The log tells when power was on, and what went through."""
        bench.say("supply", "VOLT 12;CURR 0.3;:OUTP ON", "*OPC?")
        time.sleep(0.1)
        state = bench.control("state")
        bench.say("supply", "OUTP OFF", "OUTP?")
        bench.control("misbehave", name="relay-sticks")
        log = bench.control("log")["log"]
        power = [event for event in log if event["what"] == "power"]

        assert state["on"]
        assert [event["on"] for event in power] == [True, False]
        assert power[1]["t"] - power[0]["t"] == pytest.approx(0.1, abs=0.09)
        # 470 uF on 11.5 V, and what the converter takes: its rail's capacitor, and 50 mA
        assert 5e-3 < power[1]["charge_c"] < 1.5e-2
        assert [event["name"] for event in log if event["what"] == "misbehaviour"] == [
            "relay-sticks"
        ]
