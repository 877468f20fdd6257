"""The deadline that all sockets of one session share."""

from __future__ import annotations

import socket

import pytest

from harness.bench.deadline import Deadline, HeldSocket


@pytest.fixture
def pair() -> tuple[socket.socket, socket.socket]:
    """Two sockets, connected over loopback."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        near = socket.create_connection(server.getsockname())
        return near, server.accept()[0]


class TestLateReader:
    def test_an_answer_that_came_while_it_was_held_up_is_read(
        self, pair: tuple[socket.socket, socket.socket]
    ) -> None:
        """It lay there in time; that this process was late to fetch it is no silence."""
        near, far = pair
        deadline = Deadline()
        with far, HeldSocket(deadline, near) as held:
            far.sendall(b"24.000\n")
            deadline.set(0.0)

            assert deadline.passed
            assert held.recv(64) == b"24.000\n"

    def test_an_answer_that_does_not_end_is_given_up(
        self, pair: tuple[socket.socket, socket.socket]
    ) -> None:
        """A few pieces past the deadline, then it is over, however many are still to come."""
        near, far = pair
        deadline = Deadline()
        with far, HeldSocket(deadline, near) as held:
            far.sendall(b"9" * 64)
            deadline.set(0.0)

            with pytest.raises(TimeoutError, match="did not end in time"):
                list(iter(lambda: held.recv(1), b""))
