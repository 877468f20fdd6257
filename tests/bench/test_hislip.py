"""HiSLIP: a link to a strict server that was not written by the product."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.bench.clock import SystemClock
from harness.bench.dialect import load_dialect
from harness.bench.link import VisaLink, open_visa
from harness.bench.roles import Instrument
from harness.errors import LinkError, LinkTimeout
from tests.bench.conftest import supply_at
from tests.outside.bench import Bench
from tests.outside.hislip import HislipServer

TIMEOUT_S = 0.3
#: What a loaded machine may add to a time-out.
MARGIN_S = 0.5

IDENTITY = "Harrow Point Workshop,PS-200,SIM-0001,1.0"

Open = Callable[[HislipServer], VisaLink]


@pytest.fixture
def open_to() -> Iterator[Open]:
    """Return a function that opens a link to a server, which must have nothing to complain of."""
    with contextlib.ExitStack() as stack:
        manager = open_visa("@py")
        stack.callback(manager.close)

        def opened(server: HislipServer) -> VisaLink:
            stack.enter_context(server.serving())
            resource = f"TCPIP0::127.0.0.1::hislip0,{server.port}::INSTR"
            link = VisaLink(manager, "supply", *supply_at(resource, timeout_s=TIMEOUT_S))
            stack.callback(lambda: server.breaches == [] or pytest.fail(str(server.breaches)))
            stack.callback(link.close)
            return link

        yield opened


def outside_supply() -> Any:
    """Return the strict SCPI instrument of the outside bench."""
    return Bench({"kind": "dc"})._instruments["supply"].device


class TestConversation:
    def test_a_supply_is_driven_over_it(self, open_to: Open) -> None:
        """Settings, states, compound questions and the error queue go over HiSLIP as over TCP."""
        device = outside_supply()
        link = open_to(HislipServer(device.handle))
        supply = Instrument(link, load_dialect("scpi-dc-supply"), SystemClock())

        assert "PS-200" in supply.identify_and_clear()
        supply.send("set_voltage", 12.0)
        assert supply.value("voltage_setting") == 12.0
        assert supply.state("output_state") is False
        assert abs(supply.sample().voltage_v) < 0.1
        supply.check_errors()

    @pytest.mark.parametrize("most_payload", [1, 7, 1 << 20])
    def test_an_answer_in_several_messages_is_one_answer(
        self, open_to: Open, most_payload: int
    ) -> None:
        """An answer may come in any number of Data messages before its DataEnd."""
        link = open_to(HislipServer(lambda _: IDENTITY, most_payload=most_payload))

        assert [link.query("*IDN?") for _ in range(3)] == [IDENTITY] * 3

    def test_a_closed_session_is_heard_at_once(self, open_to: Open) -> None:
        """Where the instrument closes, nothing waits for the time-out."""

        def hangs_up(_: str) -> None:
            raise OSError

        server = HislipServer(hangs_up)
        link = open_to(server)
        link.timeout_s = 60.0
        begin_s = time.monotonic()
        link.write("*RST")
        for connection in server._connections:
            connection.shutdown(2)

        with pytest.raises(LinkError) as caught:
            link.query("*IDN?")
        assert not isinstance(caught.value, LinkTimeout)
        assert time.monotonic() - begin_s < 10.0


class TestTimeOut:
    # 0: silence; 8: within the header; 16: the header alone; 20: within the payload
    @pytest.mark.parametrize("sent", [0, 8, 16, 20])
    def test_an_answer_that_stops_midway_ends_at_the_time_out(
        self, open_to: Open, sent: int
    ) -> None:
        """Wherever an answer stops, the time-out holds, and a link opened again is in step."""
        stops = iter([sent])
        link = open_to(HislipServer(lambda _: IDENTITY, sent_of=lambda _: next(stops, None)))
        begin_s = time.monotonic()

        with pytest.raises(LinkTimeout, match=r"no answer in time"):
            link.query("*IDN?")

        assert time.monotonic() - begin_s <= TIMEOUT_S + MARGIN_S
        link.reopen()
        assert link.query("*IDN?") == IDENTITY

    def test_an_answer_that_drips_ends_at_the_time_out(self, open_to: Open) -> None:
        """Bytes that keep coming, one message each, do not keep a link waiting past it."""
        link = open_to(HislipServer(lambda _: "9" * 200_000, most_payload=1))
        begin_s = time.monotonic()

        with pytest.raises(LinkError):
            link.query("MEAS:VOLT?")

        assert time.monotonic() - begin_s <= TIMEOUT_S + 4 * MARGIN_S

    def test_an_answer_to_the_question_before_is_not_taken_for_the_next(
        self, open_to: Open
    ) -> None:
        """A late answer is made void by the next message: its number is another's."""
        stops = iter([0])
        server = HislipServer(
            lambda message: f"answer to {message}", sent_of=lambda _: next(stops, None)
        )
        link = open_to(server)

        with pytest.raises(LinkTimeout):
            link.query("MEAS:VOLT?")

        assert link.query("MEAS:CURR?") == "answer to MEAS:CURR?"
        assert server.interruptions == 1
