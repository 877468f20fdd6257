"""Serves a simulated bench on loopback sockets: other programs drive it as they drive metal."""

from __future__ import annotations

import contextlib
import socketserver
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from harness.errors import UsageError, did_you_mean
from harness.rehearse.link_faults import LINK_FAULTS, LinkFault, OnWire
from harness.rehearse.simulated_instruments import SimulatedInstrument

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
        self._previous: dict[object, bytes] = {}
        self._fault: LinkFault | None = None
        self._passing = 0
        self._at = ""
        self._struck_on: object = None

    def inject(self, name: str, *, after: int = 0, at: str = "") -> None:
        """Break the link: ``after`` so many messages, and then from the first that holds ``at`` on.

        Raises:
            UsageError: There is no such fault, or it makes no sense for this instrument.
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

    def exchange(self, line: bytes, connection: object) -> Iterable[OnWire]:
        """Hand a whole message to the instrument; return what goes on the wire for it."""
        message = line.decode("latin-1").strip().upper()
        with self._lock:  # an instrument does one thing at a time
            fault = self._fault_for(message, connection)
            answer = b""
            if not (fault and fault.keeps_out(message)):
                self._device.write(line)
                answer = self._device.take()
            previous = self._previous.get(connection, b"")
            self._previous[connection] = answer or previous
            spoilt = fault is not None and "?" in message and fault.spoils(message)
            if fault and spoilt and fault.lasts == "once":
                self._fault = None
            self._heard(Spoken(time.monotonic(), message, answer, spoilt))
        return fault.answer(answer, previous) if fault and spoilt else (answer,)

    def forget(self, connection: object) -> None:
        """Forget a connection that is over."""
        with self._lock:
            self._previous.pop(connection, None)

    def _fault_for(self, message: str, connection: object) -> LinkFault | None:
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
    """Serve devices or links, by resource name, for as long as the block runs.

    Port 0 lets the system choose; the ports listened on are yielded, by resource name.

    Raises:
        OSError: A port is taken.
    """
    with contextlib.ExitStack() as stack:
        chosen: dict[str, int] = {}
        for resource, device in devices.items():
            link = device if isinstance(device, ServedLink) else ServedLink(device)
            server = stack.enter_context(_Server((_LOOPBACK, ports[resource]), link))
            thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
            thread.start()
            stack.callback(thread.join)
            stack.callback(server.shutdown)
            chosen[resource] = server.server_address[1]
        yield chosen


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, address: tuple[str, int], link: ServedLink) -> None:
        self.link = link
        super().__init__(address, _Conversation)


class _Conversation(socketserver.StreamRequestHandler):
    disable_nagle_algorithm = True

    def handle(self) -> None:
        link: ServedLink = self.server.link  # type: ignore[attr-defined]
        try:
            with contextlib.suppress(OSError):  # the program is gone, in whatever way
                for line in self.rfile:
                    # a program that was ended in the middle of a message leaves half a line
                    if not line.endswith(b"\n") or not self._put(link.exchange(line, self)):
                        return
        finally:
            link.forget(self)

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
