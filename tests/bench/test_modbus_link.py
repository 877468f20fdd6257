"""Instruments of registers, against pymodbus's own server, over TCP and over a serial line."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.bench.dialect import Dialect, load_dialect
from harness.bench.link import open_link
from harness.bench.modbus_link import ModbusLink
from harness.bench.roles import Instrument
from harness.errors import InstrumentError, LinkError, LinkTimeout, ReportedError
from harness.profile.instruments import Supply
from harness.rehearse.clock import SimulatedClock
from tests.markdown import fenced, named_files

pytest.importorskip("pymodbus", reason="needs softwake[modbus]")

from tests.outside.registers import RegisterSupply

PAGE = Path(__file__).parents[2] / "docs" / "own-instrument.md"
FILES = named_files("own-instrument", tuple(fenced(PAGE.read_text(encoding="utf-8"))))


@pytest.fixture(scope="module")
def dialect(tmp_path_factory: pytest.TempPathFactory) -> Dialect:
    path = tmp_path_factory.mktemp("dialect") / "register-supply.toml"
    path.write_text(FILES[path.name], encoding="utf-8")
    return load_dialect(str(path))


def table(resource: str, station: int = 7, timeout: str = "2 s") -> Supply:
    values = {"kind": "dc", "dialect": "register-supply.toml", "timeout": timeout}
    return Supply.model_validate({**values, "resource": resource, "station": station})


Open = Callable[..., Any]


@pytest.fixture
def open_to(dialect: Dialect) -> Iterator[Open]:
    """Return a function that opens a link to a resource."""
    links = []

    def opened(resource: str, **said: Any) -> Any:
        at = table(resource, **said)
        links.append(open_link(None, "supply", at, dialect.reached(at)))
        return links[-1]

    yield opened
    for link in links:
        link.close()


@pytest.fixture(params=["tcp", "serial"], scope="module")
def supply(request: pytest.FixtureRequest) -> Iterator[RegisterSupply]:
    """A supply that remembers what was written to it."""
    if request.param == "serial":
        pytest.importorskip("pty", reason="Windows has no pseudo-terminals")
    with RegisterSupply(serial=request.param == "serial") as there:
        yield there


class TestConversation:
    def test_numbers_and_bits_pass_both_ways(
        self, supply: RegisterSupply, open_to: Open, dialect: Dialect
    ) -> None:
        """Settings are written in counts and read back in units, the output is a coil."""
        instrument = Instrument(open_to(supply.resource), dialect, SimulatedClock())
        supply.written.clear()

        instrument.send("set_voltage", 24.0)
        instrument.send("set_current_limit", 0.3)
        instrument.send("output_on")

        assert supply.written == [(6, 0x10, (2400,)), (6, 0x11, (300,)), (5, 1, (1,))]
        assert instrument.value("voltage_setting") == 24.0
        assert instrument.value("current_limit_setting") == pytest.approx(0.3)
        assert instrument.state("output_state")
        instrument.send("output_off")
        assert not instrument.state("output_state")

    def test_it_says_what_it_is(self, supply: RegisterSupply, open_to: Open) -> None:
        """Its identity is vendor, product and revision (function 43 / 14)."""
        assert open_to(supply.resource).query("device") == "Workshop,PS-200,1.0"

    def test_what_it_refuses_is_told(self, supply: RegisterSupply, open_to: Open) -> None:
        """An exception is told in words, with its number."""
        link = open_to(supply.resource)

        with pytest.raises(ReportedError, match=r"no such address \(exception 2\)"):
            link.query("input 0x99")
        with pytest.raises(ReportedError, match=r"does not take this value \(exception 3\)"):
            link.write("holding 0x10 = 6001")

    def test_a_time_out_is_a_time_out(self, supply: RegisterSupply, open_to: Open) -> None:
        """Silence ends in time; the late answer is not taken for the next one."""
        link = open_to(supply.resource, timeout="0.2 s")
        link.write("holding 0x11 = 300")
        supply.silent = True
        with pytest.raises(LinkTimeout):
            link.query("holding 0x10")
        supply.silent = False

        link.timeout_s = 2.0
        link.reopen()
        # over TCP a late answer has another number; on a serial line another function
        with contextlib.nullcontext() if supply.port else pytest.raises(LinkError, match="another"):
            link.write("coil 1 = off")
        assert link.query("holding 0x11") == "300"

    @pytest.mark.parametrize("message", ["holding 0x10", "coil 1"])
    def test_a_question_writes_nothing(
        self, supply: RegisterSupply, open_to: Open, message: str
    ) -> None:
        """What asks cannot be sent, and what writes cannot be asked."""
        link = open_to(supply.resource)
        supply.written.clear()

        with pytest.raises(InstrumentError, match="writes nothing"):
            link.write(message)
        with pytest.raises(InstrumentError, match="asks nothing"):
            link.query(f"{message} = 1")
        assert supply.written == []


class TestLink:
    def test_a_station_that_is_not_there_is_told(self, open_to: Open) -> None:
        """Behind a gateway that answers, another station is a fault, not a reading."""
        with RegisterSupply() as supply:
            link = open_to(supply.resource, station=9)

            with pytest.raises(InstrumentError):
                link.query("holding 0x10")

    def test_a_link_that_broke_sends_nothing_until_it_is_opened_again(self, open_to: Open) -> None:
        """It does not connect again of itself: what comes first would be left out."""
        with RegisterSupply() as supply:
            link = open_to(supply.resource)
            link._client.close()

            with pytest.raises(LinkError, match="the link failed"):
                link.write("coil 1 = on")
            assert supply.written == []
            link.reopen()
            assert link.query("coil 1") == "0"

    def test_nobody_there_is_told(self, open_to: Open) -> None:
        """A closed port is a link error before anything else."""
        with pytest.raises(LinkError, match="cannot be opened"):
            open_to("TCPIP0::127.0.0.1::1::SOCKET")

    def test_other_interfaces_are_refused(self, open_to: Open) -> None:
        """Modbus goes over sockets and serial ports."""
        with pytest.raises(LinkError, match="TCP socket or a serial port"):
            open_to("GPIB0::7::INSTR")

    def test_closing_twice_does_nothing(self, open_to: Open) -> None:
        """A closed link stays closed."""
        with RegisterSupply() as supply:
            link = open_to(supply.resource)
            assert isinstance(link, ModbusLink)
            link.close()
            link.close()
