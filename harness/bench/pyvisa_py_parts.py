"""The private parts of pyvisa-py that are used, and nowhere else: its sessions and their sockets.

Its sockets are exchanged for ones that keep a deadline (:mod:`harness.bench.deadline` says why).
Where another version keeps them elsewhere, a link is refused: nothing would end an answer that does
not come, with power on. So `pyproject.toml` caps the version.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from harness.bench.deadline import Deadline, HeldSocket
from harness.errors import LinkError

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource


def hold_to(deadline: Deadline, session: MessageBasedResource, name: str) -> HeldSocket | None:
    """Hold an opened session of PyVISA to a deadline, where its library does not.

    Args:
        deadline: Set before each exchange.
        session: The session.
        name: Role and resource, for messages.

    Returns:
        The socket that messages go out on, or None where the library keeps the time-out by itself:
        any but pyvisa-py, and pyvisa-py on any interface but the network.

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
        _require_connection(interface)
        inner.interface = held = HeldSocket(deadline, interface)
        return held
    sock, call = getattr(interface, "sock", None), getattr(interface, "do_call", None)
    if isinstance(sock, socket.socket) and callable(call) and hasattr(interface, "timeout"):
        interface.sock = held = HeldSocket(deadline, sock)  # VXI-11
        interface.do_call = _in_time(deadline, interface, call)
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


def _require_connection(connection: socket.socket) -> None:
    code = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    if code:
        raise OSError(code, os.strerror(code))
    connection.getpeername()


def _in_time(deadline: Deadline, client: Any, do_call: Callable[[], None]) -> Callable[[], None]:
    """Return a remote call that waits for the time left, not for a second more."""

    def call() -> None:
        client.timeout = min(client.timeout, deadline.left_s)
        do_call()

    return call
