"""VXI-11: a link to a strict server that was not written by the product."""

from __future__ import annotations

import contextlib
import gc
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.bench.clock import SystemClock
from harness.bench.dialect import load_dialect
from harness.bench.link import VisaLink, open_visa
from harness.bench.roles import Instrument
from harness.errors import LinkError, LinkTimeout
from tests.bench.conftest import supply_at
from tests.bench.test_hislip import IDENTITY, outside_supply
from tests.outside.vxi11 import Vxi11Server

Open = Callable[..., VisaLink]


@pytest.fixture
def open_to() -> Iterator[Open]:
    """Return a function that opens a link to a server, which must have nothing to complain of."""
    with contextlib.ExitStack() as stack:
        manager = open_visa("@py")
        stack.callback(manager.close)

        def opened(server: Vxi11Server, device: str = "inst0") -> VisaLink:
            stack.enter_context(server.serving())
            stack.callback(lambda: server.breaches == [] or pytest.fail(str(server.breaches)))
            resource = f"TCPIP0::127.0.0.1,{server.port}::{device}::INSTR"
            link = VisaLink(manager, "supply", *supply_at(resource, timeout_s=0.5))
            stack.callback(link.close)
            return link

        yield opened


class TestConversation:
    def test_a_supply_is_driven_over_it(self, open_to: Open) -> None:
        """Settings, states, compound questions and the error queue go as over TCP."""
        server = Vxi11Server(outside_supply().handle)
        link = open_to(server)
        supply = Instrument(link, load_dialect("scpi-dc-supply"), SystemClock())

        assert "PS-200" in supply.identify_and_clear()
        supply.send("set_voltage", 12.0)
        assert supply.value("voltage_setting") == 12.0
        assert supply.state("output_state") is False
        assert abs(supply.sample().voltage_v) < 0.1
        supply.check_errors()

    @pytest.mark.parametrize("most_payload", [1, 7, 1 << 16])
    def test_messages_in_pieces_are_one_message(self, open_to: Open, most_payload: int) -> None:
        """A message and its answer may go in any number of calls before the end is told."""
        link = open_to(Vxi11Server(lambda _: IDENTITY, most_payload=most_payload))

        assert [link.query("*IDN?") for _ in range(3)] == [IDENTITY] * 3

    def test_silence_is_a_time_out(self, open_to: Open) -> None:
        """What is not answered ends in time, and the link goes on once it is opened again."""
        answers: dict[str, Any] = {"*IDN?": IDENTITY}
        link = open_to(Vxi11Server(answers.get))

        with pytest.raises(LinkTimeout):
            link.query("VOLT?")
        link.reopen()
        assert link.query("*IDN?") == IDENTITY

    def test_each_link_is_given_back(self, open_to: Open) -> None:
        """Opened again and closed, no link is left: many instruments have few."""
        server = Vxi11Server(lambda _: IDENTITY)
        link = open_to(server)

        link.reopen()
        link.query("*IDN?")
        assert server.links == 1
        link.close()
        assert server.links == 0

    def test_a_device_that_is_not_there_is_told(self, open_to: Open) -> None:
        """Another device name than the instrument has cannot be opened."""
        server = Vxi11Server(lambda _: IDENTITY)

        refused = ""
        try:
            open_to(server, device="inst7")
        except LinkError as error:
            refused = error.what
        with warnings.catch_warnings():  # pyvisa-py 0.8 lets go of its socket without closing it
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()

        assert "cannot be opened" in refused
        assert server.links == 0
