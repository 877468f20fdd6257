from __future__ import annotations

import contextlib
import re
import socket
from collections.abc import Iterator

import pytest

from harness.bench.clock import SystemClock
from harness.errors import UsageError
from harness.profile.load import load_bench, load_profile
from harness.rehearse.server import (
    LINK_FAULTS,
    OnWire,
    ServedLink,
    Spoken,
    serve,
    socket_resource,
)
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.unit_model import typical_model


class ImpatientClock(SystemClock):
    """Real time, but messages cost none."""

    def sleep_s(self, duration_s: float) -> None:
        """Return at once."""


class Served:
    """A served supply and connections to it."""

    def __init__(self) -> None:
        bench = load_bench("bench-simulated-dc")
        unit = load_profile("mount-controller-board").unit
        self.simulated = SimulatedBench(typical_model(unit), bench, ImpatientClock())
        self.resource = bench.supply.resource
        self.spoken: list[Spoken] = []
        device = self.simulated.devices[self.resource]
        self.link = ServedLink(device, "supply", self.spoken.append)
        self.port = 0

    def connect(self) -> socket.socket:
        """Open another connection."""
        return socket.create_connection(("127.0.0.1", self.port), timeout=5.0)


@pytest.fixture
def served() -> Iterator[Served]:
    """Serve the supply of the simulated DC bench on a free port."""
    made = Served()
    with serve({made.resource: made.link}, {made.resource: 0}) as ports:
        made.port = ports[made.resource]
        yield made


def ask(connection: socket.socket, message: str) -> bytes:
    """Send a message; return what comes up to a terminator, or up to the connection's end."""
    connection.sendall(message.encode() + b"\n")
    answer = b""
    while not answer.endswith(b"\n"):
        piece = connection.recv(4096)
        if not piece:
            break
        answer += piece
    return answer


def is_silent(connection: socket.socket, message: str) -> bool:
    """Whether nothing comes in a moment."""
    connection.settimeout(0.1)
    with contextlib.suppress(TimeoutError):
        ask(connection, message)
        return False
    return True


class TestServing:
    def test_a_message_moves_the_circuit(self, served: Served) -> None:
        """What comes over the socket reaches the instrument, and its answer comes back."""
        with served.connect() as supply:
            supply.sendall(b"VOLT 12\nOUTP ON\n")

            assert ask(supply, "OUTP?") == b"1\n"
        assert served.simulated.circuit.source_on

    def test_a_compound_question_has_one_line_of_answers(self, served: Served) -> None:
        """Answers to questions of one message come in one line (IEEE 488.2, 8.4.2)."""
        with served.connect() as supply:
            answer = ask(supply, "MEAS:VOLT?;:MEAS:CURR?;:STAT:QUES:COND?")

        assert answer.count(b";") == 2
        assert answer.count(b"\n") == 1

    def test_half_a_message_of_a_program_that_is_gone_is_forgotten(self, served: Served) -> None:
        """What a killed program left unfinished does not spoil the next program's message."""
        with served.connect() as killed:
            killed.sendall(b"OUTP ON\nOUTP")
            assert ask(killed, " OFF;OUTP?") == b"0\n"
            killed.sendall(b"VOLT 1")
        with served.connect() as supply:
            assert ask(supply, "OUTP?") == b"0\n"

    def test_a_taken_port_is_an_error(self, served: Served) -> None:
        """Two benches cannot listen on one port."""
        with (
            pytest.raises(OSError, match="in use"),
            serve({served.resource: served.link}, {served.resource: served.port}),
        ):
            pass

    def test_a_port_has_its_resource(self) -> None:
        """The resource string of a port is that of a raw socket on this machine."""
        assert socket_resource(5025) == "TCPIP0::127.0.0.1::5025::SOCKET"


class TestFaults:
    def test_a_fault_from_the_start(self, served: Served) -> None:
        """A link without a moment is broken at once; healed, it answers again."""
        served.link.inject("empty-answer")
        with served.connect() as supply:
            assert ask(supply, "OUTP?") == b"\n"
            served.link.heal()
            assert ask(supply, "OUTP?") == b"0\n"

    def test_a_fault_after_some_messages(self, served: Served) -> None:
        """So many messages still pass."""
        served.link.inject("empty-answer", after=2)
        with served.connect() as supply:
            answers = [ask(supply, "OUTP?") for _ in range(3)]

        assert answers == [b"0\n", b"0\n", b"\n"]

    def test_a_fault_from_a_text_on(self, served: Served) -> None:
        """The message that holds the text is the first that is spoilt, in capitals or not."""
        served.link.inject("empty-answer", at="volt?")
        with served.connect() as supply:
            answers = [ask(supply, said) for said in ("OUTP?", "VOLT?", "OUTP?")]

        assert answers == [b"0\n", b"\n", b"\n"]

    def test_a_silent_instrument_obeys(self, served: Served) -> None:
        """Silence takes answers away, not obedience, and a new connection does not help."""
        served.link.inject("silence")
        with served.connect() as supply:
            supply.sendall(b"OUTP ON\n")
            assert is_silent(supply, "OUTP?")
        with served.connect() as supply:
            assert is_silent(supply, "OUTP?")
        assert served.simulated.circuit.source_on

    def test_a_hung_connection_is_cured_by_another(self, served: Served) -> None:
        """Nothing gets through the old connection, everything through a new one."""
        served.link.inject("hung-connection")
        with served.connect() as old, served.connect() as new:
            old.sendall(b"OUTP ON\n")
            assert is_silent(old, "OUTP?")

            assert ask(new, "OUTP?") == b"0\n"

    def test_a_dropped_connection_is_dropped_once(self, served: Served) -> None:
        """The connection ends in the place of an answer, and the next one works."""
        served.link.inject("dropped-connection")
        with served.connect() as supply:
            assert ask(supply, "OUTP?") == b""
        with served.connect() as supply:
            assert ask(supply, "OUTP?") == b"0\n"

    def test_stale_answers_are_one_question_late(self, served: Served) -> None:
        """Each answer is the one to the question before, until the link is opened again."""
        with served.connect() as supply:
            setting = ask(supply, "VOLT?")
            served.link.inject("stale-answer")
            assert [ask(supply, "OUTP?"), ask(supply, "OUTP?")] == [setting, b"0\n"]
        with served.connect() as supply:
            assert ask(supply, "VOLT?") == setting

    def test_an_output_that_stays_on(self, served: Served) -> None:
        """It does not go off, and says so."""
        with served.connect() as supply:
            supply.sendall(b"OUTP ON\n")
            served.link.inject("output-stays-on")
            supply.sendall(b"OUTP OFF\n")

            assert ask(supply, "OUTP?") == b"1\n"

    def test_who_listens_hears_what_was_spoilt(self, served: Served) -> None:
        """Each exchange is told with the instrument's own answer, spoilt or not."""
        served.link.inject("overload")
        with served.connect() as supply:
            ask(supply, "OUTP?")
            ask(supply, "MEAS:VOLT?")

        told = [(said.message, said.spoilt) for said in served.spoken]
        assert told == [("OUTP?", False), ("MEAS:VOLT?", True)]
        assert b"9.9E37" not in served.spoken[1].answer

    def test_an_unknown_fault_has_a_near_name(self, served: Served) -> None:
        """A slip in the name of a fault is answered with the nearest right one."""
        with pytest.raises(UsageError, match="did you mean 'silence'"):
            served.link.inject("silense")

    def test_a_fault_must_fit_the_instrument(self, served: Served) -> None:
        """A meter has no output that could stay on."""
        meter = ServedLink(served.simulated.devices[served.resource], "meter")

        with pytest.raises(UsageError, match="no fault of a meter"):
            meter.inject("output-stays-on")


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


class TestFaultTable:
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
