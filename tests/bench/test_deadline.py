"""The deadline that all sockets of one session share."""

from __future__ import annotations

import socket
import threading

import pytest

from harness.bench.deadline import Deadline, HeldSocket, call_with_timeout


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


class TestCallWithTimeout:
    def test_what_is_made_too_late_is_given_back(self) -> None:
        """Many instruments take one link only: a session that nobody waits for is closed."""
        go_on, returned = threading.Event(), threading.Event()

        def make() -> str:
            go_on.wait(10.0)
            return "session"

        with pytest.raises(TimeoutError, match=r"no connection within 0\.05 s"):
            call_with_timeout(0.05, make, give_back=lambda _: returned.set())
        go_on.set()

        assert returned.wait(10.0)

    def test_a_failure_of_its_own_is_raised_as_it_is(self) -> None:
        """A time-out that the call itself tells is not taken for the limit."""

        def make() -> str:
            raise TimeoutError("the port mapper does not answer")

        with pytest.raises(TimeoutError, match="port mapper"):
            call_with_timeout(10.0, make, give_back=lambda _: None)
