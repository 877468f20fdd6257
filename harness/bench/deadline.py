"""Holds pyvisa-py's sockets to a deadline, and hears when the other end has closed.

What pyvisa-py 0.8.1 does of its own, measured on loopback with a time-out of 1 s:

- a closed connection counts as no data yet: it asks again and again, at full load, until the
  time-out, and then reports a time-out;
- bytes that keep coming without a terminator keep it reading for as long as they come;
- VXI-11 waits a second longer than its time-out, 5 s for a link that is not answered, and as long
  again to close one;
- HiSLIP waits 5 s for a greeting that does not come.

So its sockets are exchanged for the ones here, which raise, and its remote calls get the time that
is left. Here, and nowhere else, its private parts are used. Where another version keeps its sockets
elsewhere, a link is refused: nothing would end an answer that does not come, with power on. So
`pyproject.toml` caps the version.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import TYPE_CHECKING, Any, TypeVar

from harness.errors import LinkError

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

T = TypeVar("T")

#: An answer longer than this is none: what an instrument says here fits in a line.
_LONGEST_ANSWER = 1 << 20
#: Shortest and longest wait of a socket.
_LEAST_S, _MOST_S = 1e-3, 3600.0
#: So many pieces may be fetched past the deadline: a process that was held up finds an answer that
#: came in time, in two pieces for a record with a head of its own. One that does not end has more.
_LATE_PIECES = 4


class Deadline:
    """When the exchange under way must be over; shared by all sockets of one session."""

    def __init__(self) -> None:
        self.set(float("inf"))

    def set(self, duration_s: float) -> None:
        """Begin an exchange that may take so long."""
        self._end_s = time.monotonic() + duration_s
        self._received = 0
        self._late = 0

    @property
    def passed(self) -> bool:
        """Whether it is over."""
        return time.monotonic() >= self._end_s

    @property
    def left_s(self) -> float:
        """Time left, as a socket takes it: never none at all, which would mean no waiting."""
        return min(max(self._end_s - time.monotonic(), _LEAST_S), _MOST_S)

    def count(self, size: int) -> None:
        """Take note of bytes that came: none, far too many, or more past the deadline raise."""
        if not size:
            raise ConnectionResetError("the other end closed the connection")
        self._received += size
        self._late += self.passed
        if self._late > _LATE_PIECES:
            raise TimeoutError("its answer did not end in time")
        if self._received > _LONGEST_ANSWER:
            raise ConnectionError("its answer does not end")


class HeldSocket(socket.socket):
    """A socket that raises at its deadline, and where the other end has closed.

    It takes over the connection of another one, which is closed by it.
    """

    def __init__(self, deadline: Deadline, taken: socket.socket) -> None:
        timeout_s = taken.gettimeout()
        super().__init__(fileno=taken.detach())
        self.settimeout(timeout_s)
        # Small messages go out at once; a link that idles is kept alive on its way.
        self.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._deadline = deadline

    def recv(self, size: int, flags: int = 0, /) -> bytes:
        """Receive; no bytes at all is an error here."""
        piece = super().recv(size, flags)
        self._deadline.count(len(piece))
        return piece

    def recv_into(self, buffer: Any, nbytes: int = 0, flags: int = 0) -> int:
        """Receive into a buffer, in the time that is left."""
        self.settimeout(self._deadline.left_s)
        size = super().recv_into(buffer, nbytes, flags)
        self._deadline.count(size)
        return size

    def sendall(self, data: Any, flags: int = 0, /) -> None:
        """Send in the time that is left, whatever the last answer has left of it."""
        self.settimeout(self._deadline.left_s)
        super().sendall(data, flags)

    def await_room(self) -> None:
        """Wait until a message can be sent; TimeoutError where the other end takes nothing in."""
        if not select.select([], [self], [], self._deadline.left_s)[1]:
            raise TimeoutError("it takes no message in")


def call_with_timeout(
    limit_s: float, make: Callable[[], T], *, give_back: Callable[[T], object]
) -> T:
    """Make something that may take for ever, such as a session, or raise a TimeoutError.

    The thread that makes it is left alone then; what was made too late is given back, for many
    instruments take one link only.
    """
    made: Future[T] = Future()

    def attempt() -> None:
        try:
            result = make()
        except Exception as error:  # noqa: BLE001 - raised again by whoever waits
            if made.set_running_or_notify_cancel():
                made.set_exception(error)
        else:
            if made.set_running_or_notify_cancel():
                made.set_result(result)
                return
            with contextlib.suppress(Exception):  # nobody waits for it any more
                give_back(result)

    threading.Thread(target=attempt, name="opening", daemon=True).start()
    try:
        return made.result(timeout=limit_s)
    except TimeoutError:
        if made.cancel():
            raise TimeoutError(f"no connection within {limit_s:g} s") from None
        return made.result()  # it came in the last moment, or is a time-out of its own


def hold_to(deadline: Deadline, session: MessageBasedResource, name: str) -> HeldSocket | None:
    """Hold an opened session to a deadline, and return the socket that its messages go out on.

    None where the library keeps the time-out by itself: any but pyvisa-py, and pyvisa-py on any
    interface but the network.

    Raises:
        OSError: There is no connection: pyvisa-py 0.8 takes a refused one for open.
        LinkError: This version of pyvisa-py keeps its sockets where they are not found.
    """
    from pyvisa.constants import InterfaceType

    library: Any = session.visalib
    is_ours = type(library).__module__.partition(".")[0] == "pyvisa_py"
    if not is_ours or session.interface_type != InterfaceType.tcpip:
        return None
    inner: Any = getattr(library, "sessions", {}).get(session.session)
    interface: Any = getattr(inner, "interface", None)
    if isinstance(interface, socket.socket):  # a raw socket
        code = interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            raise OSError(code, os.strerror(code))
        interface.getpeername()
        inner.interface = held = HeldSocket(deadline, interface)
        return held
    sock, call = getattr(interface, "sock", None), getattr(interface, "do_call", None)
    if isinstance(sock, socket.socket) and callable(call) and hasattr(interface, "timeout"):

        def call_in_time() -> None:  # waits for the time left, not for a second more
            interface.timeout = min(interface.timeout, deadline.left_s)
            call()

        interface.sock = held = HeldSocket(deadline, sock)  # VXI-11
        interface.do_call = call_in_time
        return held
    channels = [getattr(interface, channel, None) for channel in ("_sync", "_async")]
    if all(isinstance(channel, socket.socket) for channel in channels):  # HiSLIP
        interface._sync = held = HeldSocket(deadline, interface._sync)  # noqa: SLF001
        interface._async = HeldSocket(deadline, interface._async)  # noqa: SLF001
        return held
    raise LinkError(
        "its time-out cannot be held: this version of pyvisa-py keeps its connection elsewhere "
        "than 0.8 does",
        instrument=name,
        remedy='install one that fits, pip install "pyvisa-py>=0.8,<0.9", or a system VISA library '
        'with visa = "" in the bench file',
    )
