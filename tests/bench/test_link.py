"""Links over real sockets: nothing outlasts its time-out, and nothing that broke goes unheard."""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa_py.tcpip
from pyvisa.constants import ControlFlow, StopBits

from harness.bench.link import VisaLink, open_visa
from harness.errors import LinkError, LinkTimeout
from tests.bench.conftest import supply_at
from tests.outside.hislip import HislipServer

ROOT = Path(__file__).resolve().parents[2]

TIMEOUT_S = 0.3

#: What a loaded machine may add to a time-out; pyvisa-py of its own adds a second or more.
MARGIN_S = 0.5

Serve = Callable[[Callable[[socket.socket], None]], int]


@pytest.fixture(scope="module")
def manager() -> Iterator[Any]:
    """pyvisa-py, as `visa = "@py"` opens it."""
    manager = open_visa("@py")
    yield manager
    manager.close()


@pytest.fixture
def open_to(manager: Any) -> Iterator[Callable[..., VisaLink]]:
    """Return a function that opens a link to a resource."""
    with contextlib.ExitStack() as stack:

        def opened(resource: str, *, terminator: str = "LF") -> VisaLink:
            reached = supply_at(resource, timeout_s=TIMEOUT_S, terminator=terminator)
            link = VisaLink(manager, "supply", *reached)
            stack.callback(link.close)
            return link

        yield opened


@contextlib.contextmanager
def at_most(limit_s: float) -> Iterator[None]:
    """Fail where the block takes longer."""
    begin_s = time.monotonic()
    yield
    assert time.monotonic() - begin_s <= limit_s


# --- what the other end does


def stays_silent(connection: socket.socket) -> None:
    while connection.recv(1000):
        pass


def hangs_up(connection: socket.socket) -> None:
    connection.recv(1000)


def sends_no_terminator(connection: socket.socket) -> None:
    connection.recv(1000)
    connection.sendall(b"PS-200")
    stays_silent(connection)


def drips(connection: socket.socket) -> None:
    connection.recv(1000)
    while True:
        connection.sendall(b"x")
        time.sleep(0.002)


def floods(connection: socket.socket) -> None:
    connection.recv(1000)
    while True:
        connection.sendall(b"x" * 65536)


def echoes(connection: socket.socket) -> None:
    while piece := connection.recv(1000):
        connection.sendall(piece)


def sends_bytes_that_are_no_text(connection: socket.socket) -> None:
    connection.recv(1000)
    connection.sendall(b"\xff\xfe\n")
    stays_silent(connection)


def splits_its_answer(connection: socket.socket) -> None:
    connection.recv(1000)
    for piece in (b"12", b".5", b"00\r", b"\n"):
        connection.sendall(piece)
        time.sleep(0.005)
    stays_silent(connection)


class Vxi11:
    """A VXI-11 instrument on one connection, as far as a link needs one (RFC 1057, VXI-11).

    Args:
        read: Answers a `device_read`; None answers nothing, `hang up` closes the connection.
        granting: Set when links may be granted.
        port: What a port mapper answers, if it is one.

    Attributes:
        heard: Numbers of the procedures called.
    """

    GET_PORT, CREATE_LINK, DEVICE_WRITE, DEVICE_READ, DESTROY_LINK = 3, 10, 11, 12, 23

    def __init__(
        self, read: bytes | None, *, granting: threading.Event | None = None, port: int = 0
    ) -> None:
        self._read = read
        self._granting = granting
        self._port = port
        self.heard: list[int] = []

    def __call__(self, connection: socket.socket) -> None:
        """Answer remote calls."""
        stream = connection.makefile("rb")
        while header := stream.read(4):
            call = stream.read(struct.unpack(">I", header)[0] & 0x7FFFFFFF)
            transaction, *_, procedure = struct.unpack(">6I", call[:24])
            self.heard.append(procedure)
            body = self._answer(procedure)
            if body == b"hang up":
                connection.shutdown(socket.SHUT_RDWR)
                return
            if body is not None:
                reply = struct.pack(">6I", transaction, 1, 0, 0, 0, 0) + body
                connection.sendall(struct.pack(">I", len(reply) | 0x80000000) + reply)

    def _answer(self, procedure: int) -> bytes | None:
        if procedure == self.GET_PORT:
            return struct.pack(">I", self._port)
        if procedure == self.CREATE_LINK:
            if self._granting is not None:
                self._granting.wait(10.0)
            return struct.pack(">iiII", 0, 7, 0, 1024)
        if procedure == self.DEVICE_WRITE:
            return struct.pack(">iI", 0, 6)
        if procedure == self.DEVICE_READ:
            if self._read is None or self._read == b"hang up":
                return self._read
            padded = self._read + bytes(-len(self._read) % 4)
            return struct.pack(">iiI", 0, 4, len(self._read)) + padded
        return None if self._read is None else struct.pack(">i", 0)  # a silent one stays silent


def raw(port: int) -> str:
    return f"TCPIP0::127.0.0.1::{port}::SOCKET"


def hislip(port: int) -> str:
    return f"TCPIP0::127.0.0.1::hislip0,{port}::INSTR"


def vxi11(port: int) -> str:
    """Return a resource that names the port, so that no port mapper is asked."""
    return f"TCPIP0::127.0.0.1,{port}::inst0::INSTR"


class TestTimeOut:
    @pytest.mark.parametrize(
        "behaviour",
        [stays_silent, sends_no_terminator, drips, floods],
        ids=lambda each: each.__name__,
    )
    def test_no_read_outlasts_it(
        self, peer: Serve, open_to: Callable[..., VisaLink], behaviour: Any
    ) -> None:
        """A peer that says nothing, or never ends, is given up at the time-out."""
        link = open_to(raw(peer(behaviour)))

        with at_most(TIMEOUT_S + MARGIN_S), pytest.raises(LinkError) as caught:
            link.query("*IDN?")

        assert "'*IDN?'" in str(caught.value)

    def test_silence_is_named(self, peer: Serve, open_to: Callable[..., VisaLink]) -> None:
        """Silence is a time-out that names instrument, message and what to look at."""
        port = peer(stays_silent)
        link = open_to(raw(port))

        with pytest.raises(LinkTimeout) as caught:
            link.query("*IDN?")

        assert str(caught.value) == (
            f"supply (TCPIP0::127.0.0.1::{port}::SOCKET), at '*IDN?': no answer in time; "
            "check that it is on, its cable, and the terminator in the bench file"
        )

    def test_vxi11_does_not_outlast_it(self, peer: Serve, open_to: Callable[..., VisaLink]) -> None:
        """A VXI-11 read that is not answered ends at the time-out, not a second later."""
        link = open_to(vxi11(peer(Vxi11(None))))

        with at_most(TIMEOUT_S + MARGIN_S), pytest.raises(LinkTimeout):
            link.query("*IDN?")

    def test_vxi11_takes_its_leave_in_time(
        self, peer: Serve, open_to: Callable[..., VisaLink]
    ) -> None:
        """A VXI-11 link that is not answered any more is closed without waiting for it."""
        link = open_to(vxi11(peer(Vxi11(None))))

        with at_most(MARGIN_S):
            link.close()

    def test_opening_does_not_wait_for_a_link_that_is_not_granted(
        self, peer: Serve, manager: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A link that is not granted in time is given up, and given back if it comes after all."""
        monkeypatch.setattr("harness.bench.link._OPENING_S", TIMEOUT_S)
        instrument = Vxi11(b"PS-200", granting=threading.Event())
        resource = vxi11(peer(instrument))

        with at_most(TIMEOUT_S + MARGIN_S), pytest.raises(LinkError, match=r"no connection within"):
            VisaLink(manager, "supply", *supply_at(resource, timeout_s=TIMEOUT_S))

        assert instrument._granting is not None
        instrument._granting.set()
        for thread in threading.enumerate():
            if thread.name == "opening":
                thread.join(10.0)
        assert instrument.heard == [Vxi11.CREATE_LINK, Vxi11.DESTROY_LINK]

    def test_no_write_outlasts_it(self, peer: Serve, open_to: Callable[..., VisaLink]) -> None:
        """A peer that takes nothing in any more is given up at the time-out, too."""
        done = threading.Event()
        link = open_to(raw(peer(lambda _: done.wait(60.0) and None)))
        begin_s = 0.0

        def fill() -> None:
            nonlocal begin_s
            for _ in range(10_000):  # until every buffer on the way is full
                begin_s = time.monotonic()
                link.write("VOLT 1" + " " * 4000)

        with pytest.raises(LinkTimeout):
            fill()
        assert time.monotonic() - begin_s <= TIMEOUT_S + MARGIN_S
        done.set()

    def test_can_be_made_longer_for_a_while(
        self, peer: Serve, open_to: Callable[..., VisaLink]
    ) -> None:
        """A self-test may take longer than other answers; afterwards the time-out is as before."""

        def answers_late(connection: socket.socket) -> None:
            connection.recv(1000)
            time.sleep(2 * TIMEOUT_S)
            connection.sendall(b"0\n")
            stays_silent(connection)

        link = open_to(raw(peer(answers_late)))

        with link.extended_timeout(20 * TIMEOUT_S):
            assert link.query("*TST?") == "0"
        with at_most(TIMEOUT_S + MARGIN_S), pytest.raises(LinkTimeout):
            link.query("*IDN?")


class _Wrapped:
    """What another version of pyvisa-py may keep in the place of a socket."""

    def __init__(self, inner: socket.socket) -> None:
        self._inner = inner

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


def _elsewhere(monkeypatch: pytest.MonkeyPatch, session: str, moved: str) -> None:
    """Let a session keep its connection otherwise than it does."""
    kind = getattr(pyvisa_py.tcpip, session)
    parsed = kind.after_parsing

    def after_parsing(self: Any) -> None:
        parsed(self)
        owner = self if moved == "interface" else self.interface
        setattr(owner, moved, _Wrapped(getattr(owner, moved)))

    monkeypatch.setattr(kind, "after_parsing", after_parsing)


class TestLayout:
    @pytest.mark.parametrize(
        ("session", "moved", "resource"),
        [
            ("TCPIPSocketSession", "interface", raw),
            ("TCPIPInstrVxi11", "sock", vxi11),
            ("TCPIPInstrHiSLIP", "_sync", hislip),
            ("TCPIPInstrHiSLIP", "_async", hislip),
        ],
    )
    def test_a_time_out_that_cannot_be_held_refuses_the_link(
        self,
        peer: Serve,
        open_to: Callable[..., VisaLink],
        monkeypatch: pytest.MonkeyPatch,
        session: str,
        moved: str,
        resource: Callable[[int], str],
    ) -> None:
        """Where pyvisa-py keeps its connection elsewhere, nothing is said to the instrument."""
        _elsewhere(monkeypatch, session, moved)
        with HislipServer(lambda _: None).serving() as server:
            port = server.port if resource is hislip else peer(Vxi11(b"PS-200"))

            with pytest.raises(LinkError, match=r"its time-out cannot be held") as caught:
                open_to(resource(port))

        assert 'pip install "pyvisa-py>=0.8,<0.9"' in str(caught.value)
        assert server.heard == []

    def test_the_version_is_capped_where_it_is_asked_for(self) -> None:
        """The version that the message names is the one that is installed with the program."""
        text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")

        assert '"pyvisa-py>=0.8,<0.9"' in text


class TestBroken:
    @pytest.mark.parametrize(
        ("behaviour", "resource"),
        [(hangs_up, raw), (Vxi11(b"hang up"), vxi11)],
        ids=["socket", "vxi11"],
    )
    def test_a_closed_connection_is_heard_at_once(
        self,
        peer: Serve,
        open_to: Callable[..., VisaLink],
        behaviour: Any,
        resource: Callable[[int], str],
    ) -> None:
        """Where the other end has closed, nothing waits for the time-out, and it is named."""
        link = open_to(resource(peer(behaviour)))
        link.timeout_s = 60.0

        with at_most(10.0), pytest.raises(LinkError, match="closed the connection") as caught:
            link.query("*IDN?")

        assert not isinstance(caught.value, LinkTimeout)

    def test_bytes_that_are_no_text_are_named(
        self, peer: Serve, open_to: Callable[..., VisaLink]
    ) -> None:
        """Bytes that are no ASCII text are an error of the link, not an answer."""
        link = open_to(raw(peer(sends_bytes_that_are_no_text)))

        with pytest.raises(LinkError, match="no text"):
            link.query("*IDN?")

    def test_a_closed_port_is_not_taken_for_open(self, open_to: Callable[..., VisaLink]) -> None:
        """A refused connection is told when the link is opened, not at the first message."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]

        with pytest.raises(LinkError, match="cannot be opened"):
            open_to(raw(port))

    def test_can_be_opened_again(self, peer: Serve, open_to: Callable[..., VisaLink]) -> None:
        """A link opened again forgets what was still on its way."""
        answers = iter([b"stale\n", b"fresh\n"])
        answered = threading.Event()

        def answers_once(connection: socket.socket) -> None:
            connection.recv(1000)
            connection.sendall(next(answers))
            answered.set()
            stays_silent(connection)

        link = open_to(raw(peer(answers_once)))
        link.write("*IDN?")
        assert answered.wait(10.0)
        link.reopen()

        assert link.query("*IDN?") == "fresh"

    def test_closing_twice_does_nothing(
        self, peer: Serve, open_to: Callable[..., VisaLink]
    ) -> None:
        """A link that is closed already may be closed again."""
        link = open_to(raw(peer(echoes)))
        link.close()
        link.close()

        with pytest.raises(LinkError):
            link.query("*IDN?")


class TestConversation:
    def test_a_split_answer_is_one_answer(
        self, peer: Serve, open_to: Callable[..., VisaLink]
    ) -> None:
        """An answer that comes in pieces is put together; CR before LF is no part of it."""
        link = open_to(raw(peer(splits_its_answer)))

        assert link.query("MEAS:VOLT?") == "12.500"

    @pytest.mark.parametrize(("terminator", "sent"), [("LF", "\n"), ("CR", "\r"), ("CRLF", "\r\n")])
    def test_the_terminator_ends_a_message_both_ways(
        self, peer: Serve, open_to: Callable[..., VisaLink], terminator: str, sent: str
    ) -> None:
        """What the bench file says ends a message is sent, and ends the answer."""
        heard: list[bytes] = []

        def listens(connection: socket.socket) -> None:
            while piece := connection.recv(1000):
                heard.append(piece)
                if b"".join(heard).endswith(sent.encode()):
                    connection.sendall(b"yes" + sent.encode())

        link = open_to(raw(peer(listens)), terminator=terminator)

        assert link.query("*OPC?") == "yes"
        assert b"".join(heard) == b"*OPC?" + sent.encode()

    @pytest.mark.parametrize("ending", [b"", b"\n"])
    def test_vxi11_answers_end_with_their_end_flag(
        self, peer: Serve, open_to: Callable[..., VisaLink], ending: bytes
    ) -> None:
        """A VXI-11 answer is whole with its end flag, with or without a terminator in it."""
        link = open_to(vxi11(peer(Vxi11(b"PS-200" + ending))))

        assert link.query("*IDN?") == "PS-200"

    def test_vxi11_asks_the_port_mapper(
        self, peer: Serve, open_to: Callable[..., VisaLink], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A resource without a port asks the instrument's port mapper for it."""
        instrument = peer(Vxi11(b"PS-200"))
        # its own port, 111, is not for everybody
        monkeypatch.setattr("pyvisa_py.protocols.rpc.PMAP_PORT", peer(Vxi11(b"", port=instrument)))

        assert open_to("TCPIP0::127.0.0.1::inst0::INSTR").query("*IDN?") == "PS-200"

    @pytest.mark.parametrize(
        ("behaviour", "resource"), [(echoes, raw), (Vxi11(b"yes"), vxi11)], ids=["socket", "vxi11"]
    )
    def test_an_idle_link_is_kept_alive(
        self,
        peer: Serve,
        open_to: Callable[..., VisaLink],
        behaviour: Any,
        resource: Callable[[int], str],
    ) -> None:
        """TCP keeps an idle link alive and sends small messages at once."""
        connection = open_to(resource(peer(behaviour)))._socket

        assert connection is not None
        assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


@pytest.fixture
def serial_port() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: our end, and the name of the port a link can open."""
    pytest.importorskip("serial", reason="needs softwake[serial]")
    pty = pytest.importorskip("pty", reason="Windows has no pseudo-terminals")
    tty = pytest.importorskip("tty")
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


class TestSerial:
    def test_a_serial_port_converses(
        self, serial_port: tuple[int, str], open_to: Callable[..., VisaLink]
    ) -> None:
        """A serial resource is opened as it stands, and answers end at the terminator."""
        ours, name = serial_port
        link = open_to(f"ASRL{name}::INSTR", terminator="CRLF")
        os.write(ours, b"PS-200\r\nnext")

        assert link.query("*IDN?") == "PS-200"
        assert os.read(ours, 100) == b"*IDN?\r\n"

    def test_silence_ends_at_the_time_out(
        self, serial_port: tuple[int, str], open_to: Callable[..., VisaLink]
    ) -> None:
        """A serial port that nobody answers on is given up at the time-out."""
        link = open_to(f"ASRL{serial_port[1]}::INSTR")

        with at_most(TIMEOUT_S + MARGIN_S), pytest.raises(LinkTimeout):
            link.query("*IDN?")

    def test_the_line_is_set_as_the_bench_file_says(
        self, serial_port: tuple[int, str], manager: Any
    ) -> None:
        """Rate, bits, parity and flow control reach the port."""
        line = {"baud_rate": 19200, "stop_bits": 2, "flow_control": "xon/xoff"}
        resource = f"ASRL{serial_port[1]}::INSTR"
        reached = supply_at(resource, timeout_s=TIMEOUT_S, serial_line=line)
        link = VisaLink(manager, "supply", *reached)
        session: Any = link._session

        assert session.baud_rate == 19200
        assert session.stop_bits == StopBits.two
        assert session.flow_control == ControlFlow.xon_xoff
        link.close()
