"""Serves a simulated bench on loopback sockets: other programs drive it as they drive metal.

A link can have a fault, by name. It decides which messages the instrument hears, and what goes on
the wire in the place of its answers; the instrument itself stays sound.
"""

from __future__ import annotations

import contextlib
import re
import socketserver
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from harness.errors import UsageError, did_you_mean

if TYPE_CHECKING:  # loads VISA: not for a list of the faults
    from harness.rehearse.simulated_instruments import SimulatedInstrument

#: What goes on the wire, one after the other: bytes, nothing for so many seconds, or (None) nothing
#: ever again, for the instrument's end closes the connection.
OnWire = bytes | float | None
#: The same in the place of an answer, by that answer and the one before it; each with its
#: terminator, or empty.
_Answer = Callable[[bytes, bytes], Iterable[OnWire]]

#: A wait past every time-out, and one that only parts two packets.
_LATE_S, _GAP_S = 3.0, 0.002
_PACKET_BYTES = 5
#: What reads anything.
_READING = frozenset({"supply", "meter", "load", "aux"})
#: The pattern of no message.
_NONE = "(?!)"


def _in_pieces(answer: bytes, _: bytes) -> Iterable[OnWire]:
    for start in range(0, len(answer), _PACKET_BYTES):
        yield answer[start : start + _PACKET_BYTES]
        yield _GAP_S


def _every_value(marker: bytes) -> _Answer:
    """Put a marker of SCPI-1999 (volume 1, 7.2.1) in the place of each value."""
    return lambda answer, _: [b";".join([marker] * (answer.count(b";") + 1)) + b"\n"]


@dataclass(frozen=True, slots=True)
class LinkFault:
    """One fault of a link; a message is in capitals, without its terminator."""

    #: What it is, in the words of the bench.
    summary: str
    answer: _Answer = lambda answer, _: [answer]
    #: Messages whose answers it spoils, as a pattern.
    concerns: str = ""
    #: Messages that never reach the instrument, as a pattern.
    unheard: str = _NONE
    #: For one answer, until the connection is opened again, or for as long as it is there.
    lasts: Literal["once", "connection", "always"] = "always"
    #: Instruments it makes sense for.
    roles: frozenset[str] = frozenset({"supply", "meter", "load", "switch", "aux", "enable_switch"})
    #: Whether a run must not mind it.
    harmless: bool = False

    def spoils(self, message: str) -> bool:
        """Whether the answer to a message is spoilt."""
        return re.search(self.concerns, message) is not None

    def keeps_out(self, message: str) -> bool:
        """Whether a message never reaches the instrument."""
        return re.search(self.unheard, message) is not None


#: Every link fault by name.
LINK_FAULTS: dict[str, LinkFault] = {
    "silence": LinkFault("carries messages out, but no answer comes any more", lambda *_: []),
    "hung-connection": LinkFault(
        "the connection hangs both ways until it is opened again",
        lambda *_: [],
        unheard=".",
        lasts="connection",
    ),
    "late-answer": LinkFault(
        "answers come after 3 s, past every time-out",
        lambda answer, _: [_LATE_S, answer],
        lasts="connection",
    ),
    "dropped-connection": LinkFault(
        "the connection closes in the place of one answer",
        lambda *_: [None],
        lasts="once",
    ),
    "truncated-answer": LinkFault(
        "answers end half-way, without terminator",
        lambda answer, _: [answer[: len(answer) // 2]],
        lasts="connection",
    ),
    "split-packets": LinkFault(
        "answers come in pieces of five bytes; a run must not mind", _in_pieces, harmless=True
    ),
    "garbage": LinkFault(
        "answers are bytes that are no text",
        # every bit turned, as a wrong baud rate or a broken cable may do it
        lambda answer, _: [bytes(byte ^ 0xFF for byte in answer.rstrip(b"\n")) + b"\n"],
        lasts="connection",
    ),
    "empty-answer": LinkFault(
        "answers are a terminator and nothing else", lambda *_: [b"\n"], lasts="connection"
    ),
    "not-a-number": LinkFault(
        "measurements answer 9.91E37, not-a-number",
        _every_value(b"9.91E37"),
        "MEAS:",
        roles=_READING,
    ),
    "overload": LinkFault(
        "measurements answer 9.9E37, overload", _every_value(b"9.9E37"), "MEAS:", roles=_READING
    ),
    "stale-answer": LinkFault(
        "each answer is the one to the question before: out of step",
        lambda _, previous: [previous],
        lasts="connection",
    ),
    "wrong-identity": LinkFault(
        "another instrument answers to *IDN?",
        lambda *_: [b"Harrow Point Workshop,UNKNOWN-1,SIM-9999,0.0\n"],
        concerns=r"^\*IDN\?",
    ),
    "error-queue": LinkFault(
        "its error queue fills and never runs empty",
        lambda *_: [b'-310,"System error"\n'],
        concerns=r"^SYST:ERR\?",
    ),
    "output-stays-on": LinkFault(
        "takes no message that would switch it off",
        unheard=r"^(OUTP|INP) (OFF|0)$|^\*RST$",
        concerns=_NONE,  # it says truly that it is on
        roles=frozenset({"supply", "load", "aux"}),
    ),
    "welded-contact": LinkFault(
        "the contact stays closed, whatever it is told",
        unheard="^ROUT:OPEN",
        concerns=_NONE,  # its mirror contact says so
        roles=frozenset({"switch", "enable_switch"}),
    ),
}


#: Only this machine can reach a simulated bench.
_LOOPBACK = "127.0.0.1"


def socket_resource(port: int) -> str:
    """Return the VISA resource string of a port on this machine."""
    return f"TCPIP0::{_LOOPBACK}::{port}::SOCKET"


@dataclass(frozen=True, slots=True)
class Spoken:
    """One exchange as it went over a served link."""

    #: When the message had been carried out, as :func:`time.monotonic` tells it.
    time_s: float
    #: In capitals, without its terminator.
    message: str
    #: The instrument's own answer with its terminator; empty where there was none.
    answer: bytes
    #: Whether something else went on the wire in its place.
    spoilt: bool


class ServedLink:
    """An instrument's link on its way to the wire, sound or with a fault, which fits its role.

    Several connections may share it, since a link that is opened again meets the old one's end.
    Each exchange is ``heard`` before its answer goes out. Without a role every fault fits.
    """

    def __init__(
        self,
        device: SimulatedInstrument,
        role: str = "",
        heard: Callable[[Spoken], None] = lambda _: None,
    ) -> None:
        self._device = device
        self._role = role
        self._heard = heard
        self._lock = threading.RLock()  # whoever hears an exchange may break the link
        self._fault: LinkFault | None = None
        self._passing = 0
        self._at = ""
        self._struck_on: Conversation | None = None

    def inject(self, name: str, *, after: int = 0, at: str = "") -> None:
        """Break the link: ``after`` so many messages, and then from the first that holds ``at`` on.

        UsageError: there is no such fault, or it makes no sense for this instrument.
        """
        fault = LINK_FAULTS.get(name)
        if fault is None:
            raise UsageError(
                f"there is no link fault {name!r}{did_you_mean(name, LINK_FAULTS)}",
                remedy=f"there are {', '.join(LINK_FAULTS)}",
            )
        if self._role and self._role not in fault.roles:
            raise UsageError(f"{name!r} is no fault of a {self._role}'s link")
        with self._lock:
            self._fault, self._passing, self._at = fault, after, at.upper()
            self._struck_on = None

    def heal(self) -> None:
        """Make the link sound again."""
        with self._lock:
            self._fault = None

    def exchange(self, line: bytes, connection: Conversation) -> Iterable[OnWire]:
        """Hand a whole message to the instrument; return what goes on the wire for it."""
        message = line.decode("latin-1").strip().upper()
        with self._lock:  # an instrument does one thing at a time
            fault = self._fault_for(message, connection)
            answer = b""
            if not (fault and fault.keeps_out(message)):
                self._device.write(line)
                answer = self._device.take()
            previous = connection.previous
            connection.previous = answer or previous
            spoilt = fault is not None and "?" in message and fault.spoils(message)
            if fault and spoilt and fault.lasts == "once":
                self._fault = None
            self._heard(Spoken(time.monotonic(), message, answer, spoilt))
        return fault.answer(answer, previous) if fault and spoilt else (answer,)

    def _fault_for(self, message: str, connection: Conversation) -> LinkFault | None:
        """Return the fault if it has begun and reaches this connection."""
        fault = self._fault
        if fault is None:
            return None
        if self._passing > 0:
            self._passing -= 1
            return None
        if self._at not in message:
            return None
        self._at = ""
        if fault.lasts == "connection":
            self._struck_on = self._struck_on or connection
            if connection is not self._struck_on:
                return None
        return fault


@contextlib.contextmanager
def serve(
    devices: Mapping[str, SimulatedInstrument | ServedLink], ports: Mapping[str, int]
) -> Iterator[dict[str, int]]:
    """Serve devices or links; yield the ports, all by resource name.

    Port 0 lets the system choose. OSError: a port is taken.
    """
    with contextlib.ExitStack() as stack:
        chosen: dict[str, int] = {}
        for resource, device in devices.items():
            link = device if isinstance(device, ServedLink) else ServedLink(device)
            server = stack.enter_context(_Server((_LOOPBACK, ports[resource]), Conversation))
            server.link = link
            thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
            thread.start()
            stack.callback(thread.join)
            stack.callback(server.shutdown)
            chosen[resource] = server.server_address[1]
        yield chosen


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True
    link: ServedLink


class Conversation(socketserver.StreamRequestHandler):
    """One connection to a served link."""

    disable_nagle_algorithm = True
    previous = b""  # the instrument's last answer to it

    def handle(self) -> None:
        """Exchange messages for answers until either side has enough."""
        link: ServedLink = self.server.link  # type: ignore[attr-defined]
        with contextlib.suppress(OSError):  # the program is gone, in whatever way
            for line in self.rfile:
                # a program that was ended in the middle of a message leaves half a line
                if not line.endswith(b"\n") or not self._put(link.exchange(line, self)):
                    return

    def _put(self, acts: Iterable[OnWire]) -> bool:
        """Put an answer on the wire; False where the connection is to be closed."""
        for act in acts:
            match act:
                case bytes():
                    self.wfile.write(act)
                case float():
                    time.sleep(act)
                case None:
                    return False
        return True
