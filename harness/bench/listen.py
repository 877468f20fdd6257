"""Asks ``*IDN?`` past all layers, and hears every byte that comes back."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Callable
from typing import Any

from harness.bench.finding import Heard
from harness.bench.link import set_line
from harness.profile.instruments import SerialLine

_QUESTION = b"*IDN?"

#: Once bytes come, so long a silence ends the answer.
_QUIET_S = 0.15
#: An answer is cut off here.
_MOST_BYTES = 4096


def ask_socket(host: str, port: int, terminator: bytes, wait_s: float) -> Heard:
    """Ask over a connection of its own: what another terminator left behind is gone with it."""
    try:
        with socket.create_connection((host, port), timeout=wait_s) as connection:
            connection.sendall(_QUESTION + terminator)

            def receive(longest_s: float) -> bytes | None:
                connection.settimeout(max(longest_s, 1e-3))
                with contextlib.suppress(TimeoutError):
                    return connection.recv(_MOST_BYTES)
                return None

            return _hear(receive, wait_s)
    except OSError:  # what a plain connection tells has been looked at before
        return Heard(closed=True)


def ask_serial(
    manager: Any, resource: str, line: SerialLine, terminator: bytes, wait_s: float
) -> Heard:
    """Ask over a serial port."""
    try:
        session = manager.open_resource(resource)
    except Exception:  # noqa: BLE001 - of whatever a library raises; the port was looked at before
        return Heard(closed=True)
    try:
        set_line(session, line)
        session.timeout = 50
        session.write_raw(_QUESTION + terminator)

        def receive(longest_s: float) -> bytes | None:
            end_s = time.monotonic() + longest_s
            while time.monotonic() < end_s:
                with contextlib.suppress(Exception):  # a time-out, in whatever way it is told
                    return bytes(session.read_bytes(1))
            return None

        return _hear(receive, wait_s)
    except Exception:  # noqa: BLE001 - of whatever a library raises: nothing was heard
        return Heard()
    finally:
        with contextlib.suppress(Exception):
            session.close()


def _hear(receive: Callable[[float], bytes | None], wait_s: float) -> Heard:
    """Collect what comes until it is quiet: None is a silence, no bytes a closed connection."""
    begin_s = time.monotonic()
    piece = receive(wait_s)
    after_s = time.monotonic() - begin_s
    answer = piece or b""
    while piece and len(answer) < _MOST_BYTES:
        piece = receive(_QUIET_S)
        answer += piece or b""
    return Heard(answer, after_s, closed=piece == b"")
