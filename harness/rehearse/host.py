"""Serves a simulated bench on loopback sockets: other programs drive it as they drive metal."""

from __future__ import annotations

import contextlib
import socketserver
import threading
from collections.abc import Iterator, Mapping

from harness.rehearse.coupled import CoupledDevice

__all__ = ["serve", "socket_resource"]

#: Only this machine can reach a simulated bench.
_LOOPBACK = "127.0.0.1"


def socket_resource(port: int) -> str:
    """Return the VISA resource string of a port on this machine."""
    return f"TCPIP0::{_LOOPBACK}::{port}::SOCKET"


@contextlib.contextmanager
def serve(
    devices: Mapping[str, CoupledDevice], ports: Mapping[str, int]
) -> Iterator[dict[str, int]]:
    """Serve devices for as long as the block runs.

    Args:
        devices: Devices by resource name.
        ports: Port to listen on for each resource name; 0 lets the system choose.

    Yields:
        The ports listened on, by resource name.

    Raises:
        OSError: A port is taken.
    """
    with contextlib.ExitStack() as stack:
        chosen: dict[str, int] = {}
        for resource, device in devices.items():
            server = stack.enter_context(_Server((_LOOPBACK, ports[resource]), device))
            thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
            thread.start()
            stack.callback(thread.join)
            stack.callback(server.shutdown)
            chosen[resource] = server.server_address[1]
        yield chosen


class _Server(socketserver.ThreadingTCPServer):
    """One instrument on one port."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, address: tuple[str, int], device: CoupledDevice) -> None:
        self.device = device
        super().__init__(address, _Conversation)


class _Conversation(socketserver.StreamRequestHandler):
    """One program that talks to the instrument."""

    disable_nagle_algorithm = True

    def handle(self) -> None:
        device: CoupledDevice = self.server.device  # type: ignore[attr-defined]
        with contextlib.suppress(ConnectionError):
            for line in self.rfile:
                device.write(line)
                answer = b""
                while piece := device.read()[0]:
                    answer += piece
                if answer:
                    self.wfile.write(answer)
