"""What comes in over a link that greets, echoes, or ends its answers with nothing."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from typing import Any, ClassVar

import pytest
import pyvisa

from harness.bench.dialect import Dialect, load_dialect
from harness.bench.link import VisaLink
from harness.bench.roles import Instrument
from harness.errors import InstrumentError, LinkError, LinkTimeout
from harness.rehearse.clock import SimulatedClock
from tests.bench.conftest import supply_at

Serve = Callable[[Callable[[socket.socket], None]], int]
Open = Callable[..., VisaLink]


def spoken(link: dict[str, object], **tables: dict[str, object]) -> Dialect:
    data = load_dialect("scpi-dc-supply").model_dump(by_alias=True, exclude={"link"})
    for name, values in tables.items():
        data[name] = {**(data[name] or {}), **values}
    return Dialect.model_validate({**data, "link": {"timeout": "0.5 s", **link}})


@pytest.fixture
def open_to(peer: Serve) -> Iterator[Open]:
    """Return a function that opens a link in a dialect to a behaviour."""
    manager: Any = pyvisa.ResourceManager("@py")
    links = []

    def opened(behaviour: Callable[[socket.socket], None], dialect: Dialect) -> VisaLink:
        resource = f"TCPIP0::127.0.0.1::{peer(behaviour)}::SOCKET"
        table, _ = supply_at(resource, timeout_s=0.5)
        links.append(VisaLink(manager, "supply", table, dialect))
        return links[-1]

    yield opened
    for link in links:
        link.close()
    manager.close()


def answering(
    answers: dict[bytes, tuple[bytes, ...]], *, first: bytes = b"", pause_s: float = 0.0
) -> Callable[[socket.socket], None]:
    """Answer whole messages, in pieces that come apart, with something said at first."""

    def behave(connection: socket.socket) -> None:
        time.sleep(pause_s)
        connection.sendall(first)
        heard = b""
        while piece := connection.recv(100):
            heard += piece
            while message := next((each for each in answers if heard.startswith(each)), None):
                heard = heard[len(message) :]
                for part in answers[message]:
                    connection.sendall(part)
                    time.sleep(0.01)

    return behave


class TestNoTerminator:
    UNENDED: ClassVar[dict[str, object]] = {"terminator": "none", "quiet": "80 ms"}

    def test_an_answer_ends_in_silence_or_at_its_length(self, open_to: Open) -> None:
        """Without a length it is over once it is quiet; with one, at its last character."""
        answers = {b"VOLT?": (b"1", b"2.", b"00"), b"CURR?": (b"0.5", b"00"), b"*IDN?": (b"PS",)}
        dialect = spoken(self.UNENDED, answers={"current_limit_setting": {"length": 5}})
        link = open_to(answering(answers), dialect)

        assert link.query("VOLT?") == "12.00"
        begin_s = time.monotonic()
        assert link.query("CURR?") == "0.500"
        assert time.monotonic() - begin_s < 0.07
        assert link.query("*IDN?") == "PS"

    def test_each_byte_of_bits_arrives(self) -> None:
        """Terminators, blanks and bytes beyond ASCII are bits like any others."""
        dialect = spoken(self.UNENDED, answers={"output_state": {"digits": "byte", "mask": 64}})

        for state in range(256):
            assert dialect.value_in("output_state", chr(state)) == str(int(bool(state & 64)))

    @pytest.mark.parametrize("state", [0x0A, 0x0D, 0x20, 0xC0])
    def test_a_byte_passes_the_link(self, open_to: Open, state: int) -> None:
        """A byte that looks like a terminator or like no text is read as it is."""
        dialect = spoken(self.UNENDED, answers={"output_state": {"digits": "byte", "mask": 64}})
        link = open_to(answering({b"OUTP?": (bytes([state]),)}), dialect)

        assert Instrument(link, dialect, SimulatedClock()).state("output_state") == (state > 64)

    @pytest.mark.parametrize("answer", [b"1.00", b"01.000", b"\n1.00", b"1.00\n"])
    def test_another_length_is_no_reading(self, answer: bytes) -> None:
        """Too few or too many characters, and what is left of another answer, are refused."""
        dialect = spoken(self.UNENDED, answers={"voltage_setting": {"length": 5}})

        with pytest.raises(ValueError, match="has not 5 characters alone"):
            dialect.value_in("voltage_setting", answer.decode())

    def test_what_is_left_of_an_answer_is_no_part_of_the_next(self, open_to: Open) -> None:
        """A character more than the length says breaks the link, and shifts no answer."""
        answers = {b"CURR?": (b"-0.0001",), b"OUTP?": (b"0",)}
        dialect = spoken(self.UNENDED, answers={"current_limit_setting": {"length": 6}})
        link = open_to(answering(answers), dialect)

        assert link.query("CURR?") == "-0.000"
        with pytest.raises(LinkError, match="goes on with '1' after its last answer"):
            link.query("OUTP?")

    def test_what_never_ends_is_given_up(self, open_to: Open) -> None:
        """An answer that goes on past the time-out is none, and no part of it is a value."""
        link = open_to(answering({b"VOLT?": (b"1",) * 100}), spoken(self.UNENDED))

        with pytest.raises(LinkTimeout):
            link.query("VOLT?")

    def test_silence_is_a_time_out(self, open_to: Open) -> None:
        """No byte at all is no empty answer."""
        link = open_to(answering({}), spoken(self.UNENDED))

        with pytest.raises(LinkTimeout):
            link.query("VOLT?")


class TestEcho:
    ECHO: ClassVar[dict[str, object]] = {"terminator": "CRLF", "echo": True}

    def test_it_is_taken_off_before_the_answer(self, open_to: Open) -> None:
        """Echoes of settings come before that of the question; the answer is what follows."""
        answers = {
            b"VOLT 5\r\n": (b"VOLT 5\r\n",),
            b"VOLT?\r\n": (b"VOLT?\r\n", b"5.000\r\n"),
        }
        link = open_to(answering(answers), spoken(self.ECHO))

        link.write("VOLT 5")

        assert link.query("VOLT?") == "5.000"

    def test_another_echo_is_a_fault_of_the_link(self, open_to: Open) -> None:
        """What comes back otherwise than it was sent may have been received otherwise."""
        answers = {b"VOLT?\r\n": (b"VOLT!\r\n", b"5.000\r\n")}
        link = open_to(answering(answers), spoken(self.ECHO))

        with pytest.raises(LinkError, match="where the echo of 'VOLT\\?' should come"):
            link.query("VOLT?")

    def test_nothing_waits_for_the_echo_of_output_off(self, open_to: Open) -> None:
        """Output off is sent and done with, whether it is echoed or not."""
        link = open_to(answering({}), spoken(self.ECHO))
        begin_s = time.monotonic()

        link.write("OUTP OFF")

        assert time.monotonic() - begin_s < 0.2


class TestGreeting:
    GREETS: ClassVar[dict[str, object]] = {"greeting": "ready"}

    def test_it_is_read_before_anything_is_said(self, open_to: Open) -> None:
        """Lines up to the one that holds its text are no answers; so again at each opening."""
        first = b"Bench supply\n...\nready.\n"
        link = open_to(answering({b"*IDN?\n": (b"PS\n",)}, first=first), spoken(self.GREETS))

        assert link.query("*IDN?") == "PS"
        link.reopen()
        assert link.query("*IDN?") == "PS"

    def test_without_it_the_link_is_not_opened(self, open_to: Open) -> None:
        """A greeting that does not come is a time-out that names it."""
        with pytest.raises(LinkTimeout) as caught:
            open_to(answering({}), spoken(self.GREETS))

        assert caught.value.message == "its greeting"

    def test_the_first_answer_may_take_longer(self, open_to: Open) -> None:
        """The first answer after connecting has its own time-out, the next ones the usual one."""
        answers = {b"*IDN?\n": (b"PS\n",)}
        dialect = spoken({"first_answer": "2 s"})
        link = open_to(answering(answers, pause_s=0.8), dialect)

        assert link.timeout_s == 2.0
        assert link.query("*IDN?") == "PS"
        assert link.timeout_s == 0.5
        with pytest.raises(LinkTimeout):
            link.query("VOLT?")


class TestStateByTwoQuestions:
    @pytest.mark.parametrize(
        ("mode", "tripped", "limiting", "protection"),
        [("CV", "NO", False, False), ("CC", "NO", True, False), ("UR", "YES", False, True)],
    )
    def test_both_count(
        self, wire: Any, mode: str, tripped: str, limiting: bool, protection: bool
    ) -> None:
        """Words of two questions say whether it limits, and whether its protection tripped."""
        dialect = spoken(
            {},
            ask={"current_limit_state": "OUTP:MODE?", "protection_state": "PROT:TRIP?"},
            answers={
                "current_limit_state": {"words": {"CV": 0, "CC": 1, "UR": 0}},
                "protection_state": {"words": {"NO": 0, "YES": 1}},
            },
        )
        wire.supply.answers |= {"OUTP:MODE?": lambda: mode, "PROT:TRIP?": lambda: tripped}
        supply = Instrument(wire.supply, dialect, wire.clock)

        sample = supply.sample()

        assert (sample.limiting, sample.protection) == (limiting, protection)
        if protection:
            with pytest.raises(InstrumentError, match="protection_state = "):
                supply.check_protection()

    def test_they_can_stand_in_the_sample(self, wire: Any) -> None:
        """One message may read them as well."""
        dialect = spoken(
            {},
            ask={"protection_state": "PROT:TRIP?"},
            sample={"ask": "ALL?", "answer": ["voltage", "current", "protection"]},
        )
        wire.supply.answers["ALL?"] = lambda: "5.0;0.1;ON"

        assert Instrument(wire.supply, dialect, wire.clock).sample().protection
