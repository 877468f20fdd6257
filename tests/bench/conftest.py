"""The other end of a connection, as a test wants it."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

import pytest

from harness.bench.dialect import Dialect, load_dialect
from harness.profile.instruments import Supply
from tests.power.conftest import wire

__all__ = ["peer", "supply_at", "wire"]

#: What the other end of a connection does with it.
Behaviour = Callable[[socket.socket], None]


def supply_at(resource: str, *, timeout_s: float, **values: object) -> tuple[Supply, Dialect]:
    """Return the table of a supply in a bench file, and its dialect as it is reached there."""
    timeout = f"{timeout_s} s"
    table = Supply.model_validate(
        {
            "kind": "dc",
            "resource": resource,
            "dialect": "scpi-dc-supply",
            "timeout": timeout,
            **values,
        }
    )
    return table, load_dialect("scpi-dc-supply").reached(table)


@pytest.fixture
def peer() -> Iterator[Callable[[Behaviour], int]]:
    """Return a function that serves a behaviour on loopback and returns its port."""
    with contextlib.ExitStack() as stack:
        yield lambda behaviour: stack.enter_context(_serving(behaviour))


@contextlib.contextmanager
def _serving(behaviour: Behaviour) -> Iterator[int]:
    """Give every connection to a thread of its own, until the block ends."""
    connections: list[socket.socket] = []
    threads: list[threading.Thread] = []

    def converse(connection: socket.socket) -> None:
        with contextlib.suppress(OSError), connection:
            behaviour(connection)

    def accept() -> None:
        with contextlib.suppress(OSError):
            while True:
                connection = server.accept()[0]
                connections.append(connection)
                threads.append(threading.Thread(target=converse, args=(connection,)))
                threads[-1].start()

    with socket.create_server(("127.0.0.1", 0)) as server:
        acceptor = threading.Thread(target=accept)
        acceptor.start()
        yield server.getsockname()[1]
        with contextlib.suppress(OSError):
            server.shutdown(socket.SHUT_RDWR)  # wakes the acceptor; closing alone does not
    acceptor.join()
    for connection in connections:
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)
    for thread in threads:
        thread.join()
