"""The search for a cause on real sockets and pseudo-terminals."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.bench import diagnose
from harness.bench.diagnose import _reach, find_cause
from harness.bench.dialect import Dialect, load_dialect
from harness.bench.finding import Cause
from harness.bench.link import open_visa
from harness.bench.listen import ask_socket
from harness.errors import LinkTimeout
from harness.profile.instruments import Meter

IDENTITY = b"Harrow Point Workshop,DM-60,SIM-0003,1.0"
ERROR = LinkTimeout("no answer in time", instrument="meter")

Serve = Callable[[Callable[[socket.socket], None]], int]


@pytest.fixture(scope="module")
def manager() -> Iterator[Any]:
    """pyvisa-py, as `visa = "@py"` opens it."""
    manager = open_visa("@py")
    yield manager
    manager.close()


@pytest.fixture(autouse=True)
def _in_a_hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody here is slower than half a second."""
    monkeypatch.setattr(diagnose, "_LEAST_WAIT_S", 0.5)
    monkeypatch.setattr(diagnose, "_TRIAL_S", 0.3)


def meter(resource: str) -> tuple[Meter, Dialect]:
    table = Meter.model_validate(
        {"resource": resource, "dialect": "scpi-meter", "timeout": "200 ms"}
    )
    return table, load_dialect("scpi-meter").reached(table)


def cause_at(manager: Any, resource: str) -> Cause:
    return find_cause(manager, *meter(resource), ERROR)


def raw(port: int) -> str:
    return f"TCPIP0::127.0.0.1::{port}::SOCKET"


def answers_to(terminator: bytes, *, after_s: float = 0.0) -> Callable[[socket.socket], None]:
    """Return an instrument that takes one terminator only, and ends its answers with it."""

    def behaviour(connection: socket.socket) -> None:
        heard = b""
        while piece := connection.recv(100):
            heard += piece
            if heard == b"*IDN?" + terminator:
                time.sleep(after_s)
                connection.sendall(IDENTITY + terminator)

    return behaviour


class TestSocket:
    @pytest.mark.parametrize(("terminator", "name"), [(b"\r\n", "CRLF"), (b"\r", "CR")])
    def test_finds_the_terminator(
        self, peer: Serve, manager: Any, terminator: bytes, name: str
    ) -> None:
        """An instrument that waits for another terminator gets the line for the bench file."""
        cause = cause_at(manager, raw(peer(answers_to(terminator))))

        assert cause.write == (f'terminator = "{name}"',)

    def test_finds_a_terminator_where_none_is_said(self, peer: Serve, manager: Any) -> None:
        """A dialect that ends messages with nothing is told what the instrument waits for."""
        table, dialect = meter(raw(peer(answers_to(b"\r\n"))))
        link = dialect.link.model_copy(update={"terminator": "none"})
        cause = find_cause(manager, table, dialect.model_copy(update={"link": link}), ERROR)

        assert cause.write == ('terminator = "CRLF"',)
        assert "not to nothing" in cause.what

    def test_finds_a_slow_instrument(self, peer: Serve, manager: Any) -> None:
        """An instrument slower than its time-out gets a longer one."""
        cause = cause_at(manager, raw(peer(answers_to(b"\n", after_s=0.3))))

        assert cause.write == ('timeout = "1 s"',)

    def test_finds_a_connection_that_is_taken(self, peer: Serve, manager: Any) -> None:
        """An instrument that hangs up at once is held by another program."""
        cause = cause_at(manager, raw(peer(lambda _: None)))

        assert "closes it" in cause.what
        assert "other programs" in cause.remedy

    def test_finds_silence(self, peer: Serve, manager: Any) -> None:
        """An instrument that takes the connection and says nothing is no SCPI port."""

        def stays_silent(connection: socket.socket) -> None:
            while connection.recv(100):
                pass

        cause = cause_at(manager, raw(peer(stays_silent)))

        assert "none of LF, CR LF and CR" in cause.what

    def test_finds_a_closed_port(self, manager: Any) -> None:
        """A port that nobody listens on is closed, and the host is there."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]

        assert f"its port {port} is closed" in cause_at(manager, raw(port)).what

    def test_finds_a_name_that_is_none(self, manager: Any) -> None:
        """A host name that cannot be one is told without asking anybody."""
        cause = cause_at(manager, "TCPIP0::no..such..name::5025::SOCKET")

        assert "knows no host" in cause.what

    def test_finds_a_resource_string_that_is_none(self, manager: Any) -> None:
        """What is no resource string gets an example of one."""
        assert cause_at(manager, "meter").write == (
            'resource = "TCPIP0::192.0.2.10::5025::SOCKET"',
        )

    def test_finds_a_device_that_does_not_answer_vxi11(self, peer: Serve, manager: Any) -> None:
        """An open port behind which no VXI-11 answers points to the device name."""
        port = peer(answers_to(b"\n"))

        assert "device name" in cause_at(manager, f"TCPIP0::127.0.0.1,{port}::inst0::INSTR").remedy

    def test_hears_every_byte(self, peer: Serve) -> None:
        """Bytes that come in pieces, text or not, are all heard."""

        def drips(connection: socket.socket) -> None:
            connection.recv(100)
            for piece in (b"\xff", b"\x00", b"ok"):
                connection.sendall(piece)
                time.sleep(0.01)

        heard = ask_socket("127.0.0.1", peer(drips), b"\n", 5.0)

        assert heard.answer == b"\xff\x00ok"
        assert heard.closed

    def test_reaches_what_is_there(self, peer: Serve) -> None:
        """A plain connection to a listening port opens."""
        port = peer(lambda _: None)

        assert _reach("127.0.0.1", port, 5.0) == ("", "")


@pytest.fixture
def instrument_on_a_serial_port() -> Iterator[Callable[[bytes], str]]:
    """Return a function that puts an instrument on a pseudo-terminal and names its port."""
    pytest.importorskip("serial", reason="needs softwake[serial]")
    pty: Any = pytest.importorskip("pty", reason="Windows has no pseudo-terminals")
    tty: Any = pytest.importorskip("tty")
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    done = threading.Event()

    def serve(terminator: bytes) -> None:
        heard = b""
        while not done.is_set():
            heard += os.read(ours, 100)
            if heard.endswith(b"*IDN?" + terminator):
                os.write(ours, IDENTITY + terminator)
                heard = b""

    def begin(terminator: bytes) -> str:
        threads.append(threading.Thread(target=serve, args=(terminator,)))
        threads[-1].start()
        return os.ttyname(theirs)

    threads: list[threading.Thread] = []
    yield begin
    done.set()
    os.write(theirs, b"the end")  # wakes the instrument
    for thread in threads:
        thread.join()
    os.close(ours)
    os.close(theirs)


class TestSerial:
    def test_finds_the_terminator(
        self, instrument_on_a_serial_port: Callable[[bytes], str], manager: Any
    ) -> None:
        """On a serial port, too, the terminator is found by its bytes."""
        port = instrument_on_a_serial_port(b"\r\n")

        assert cause_at(manager, f"ASRL{port}::INSTR").write == ('terminator = "CRLF"',)

    def test_finds_the_baud_rate(
        self,
        instrument_on_a_serial_port: Callable[[bytes], str],
        manager: Any,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """A rate at which an instrument answers is found among the usual ones."""
        port = instrument_on_a_serial_port(b"\n")
        asked: list[int] = []

        def ask(manager: Any, resource: str, line: Any, terminator: bytes, wait_s: float) -> Any:
            # a pseudo-terminal hears at any rate, so the wrong ones are deaf here
            asked.append(line.baud_rate)
            ending = terminator if line.baud_rate == 19200 else b" is noise"
            return real(manager, resource, line, ending, wait_s)

        real = diagnose.ask_serial
        monkeypatch.setattr(diagnose, "ask_serial", ask)

        cause = cause_at(manager, f"ASRL{port}::INSTR")

        assert cause.write == ("serial_line = { baud_rate = 19200 }",)
        assert asked[0] == 9600

    def test_finds_a_port_that_is_not_there(self, manager: Any) -> None:
        """A serial port that does not exist is told with the ones that do."""
        pytest.importorskip("serial", reason="needs softwake[serial]")

        cause = cause_at(manager, "ASRL/dev/ttyNONE9::INSTR")

        assert cause.what.startswith("there is no serial port /dev/ttyNONE9")

    def test_finds_a_port_that_is_held(
        self, instrument_on_a_serial_port: Callable[[bytes], str], manager: Any
    ) -> None:
        """A serial port that another program holds for itself is told as held."""
        serial: Any = pytest.importorskip("serial")
        port = instrument_on_a_serial_port(b"\n")

        with serial.Serial(port, exclusive=True):
            cause = cause_at(manager, f"ASRL{port}::INSTR")

        assert cause.what == f"another program holds {port}"
