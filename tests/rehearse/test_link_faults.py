from __future__ import annotations

import re

import pytest

from harness.rehearse.link_faults import LINK_FAULTS, OnWire

ANSWER = b"+2.4E+01;+1.0E-01\n"


def on_wire(name: str) -> list[OnWire]:
    return [act for act in LINK_FAULTS[name].answer(ANSWER, b"1\n") if act != b""]


class TestOnTheWire:
    @pytest.mark.parametrize(
        ("name", "wire"),
        [
            ("silence", []),
            ("hung-connection", []),
            ("late-answer", [3.0, ANSWER]),
            ("dropped-connection", [None]),
            ("truncated-answer", [b"+2.4E+01;"]),
            ("empty-answer", [b"\n"]),
            ("not-a-number", [b"9.91E37;9.91E37\n"]),
            ("overload", [b"9.9E37;9.9E37\n"]),
            ("stale-answer", [b"1\n"]),
            ("error-queue", [b'-310,"System error"\n']),
            ("output-stays-on", [ANSWER]),
        ],
    )
    def test_each_fault_does_what_it_says(self, name: str, wire: list[OnWire]) -> None:
        """Each fault puts on the wire what its summary says, and nothing else.

        The markers 9.9E37 and 9.91E37 are those of SCPI-1999, volume 1, 7.2.1; error -310 is the
        system error of volume 2, SYSTem:ERRor.
        """
        assert on_wire(name) == wire

    def test_split_packets_are_the_whole_answer(self) -> None:
        """Pieces put together are the answer, byte for byte."""
        wire = on_wire("split-packets")

        assert b"".join(act for act in wire if isinstance(act, bytes)) == ANSWER
        assert sum(isinstance(act, bytes) for act in wire) > 1

    def test_garbage_is_no_text(self) -> None:
        """Garbage ends like an answer, and no byte of it is ASCII."""
        (wire,) = on_wire("garbage")
        assert isinstance(wire, bytes)

        assert wire.endswith(b"\n")
        assert min(wire[:-1]) > 127

    def test_a_wrong_identity_is_that_of_no_simulated_instrument(self) -> None:
        """The identity of another instrument holds none of the names the bench files expect."""
        (wire,) = on_wire("wrong-identity")
        assert isinstance(wire, bytes)

        assert not re.search(rb"PS-200|AS-300|DM-60|EL-150", wire)


class TestTable:
    def test_only_split_packets_harm_nothing(self) -> None:
        """A run must mind every fault but an answer in pieces."""
        assert [name for name, fault in LINK_FAULTS.items() if fault.harmless] == ["split-packets"]

    @pytest.mark.parametrize(
        ("name", "message", "expected"),
        [
            ("wrong-identity", "*IDN?", True),
            ("wrong-identity", "MEAS:VOLT?", False),
            ("overload", "MEAS:VOLT:DC?", True),
            ("overload", "OUTP?", False),
            ("error-queue", "SYST:ERR?", True),
            ("silence", "OUTP?", True),
            ("output-stays-on", "OUTP?", False),
        ],
    )
    def test_a_fault_spoils_the_answers_it_concerns(
        self, name: str, message: str, expected: bool
    ) -> None:
        """A fault leaves alone what it does not concern."""
        assert LINK_FAULTS[name].spoils(message) is expected

    @pytest.mark.parametrize(
        ("message", "kept_out"),
        [
            *((message, True) for message in ("OUTP OFF", "OUTP 0", "INP OFF", "*RST")),
            *((message, False) for message in ("OUTP ON", "INP 1", "OUTP?", "VOLT 0")),
        ],
    )
    def test_an_output_that_stays_on_hears_nothing_that_would_end_it(
        self, message: str, kept_out: bool
    ) -> None:
        """Whatever switches off does not get in; all else does."""
        assert LINK_FAULTS["output-stays-on"].keeps_out(message) is kept_out
