from __future__ import annotations

import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest
import wakepy

from harness.power import attention
from harness.power.attention import StayAwake


class System:
    """Stands for the system's own way to stay awake: takes requests, or not."""

    def __init__(self, *, grants: bool = True) -> None:
        self.holding = 0
        self.threads: set[int] = set()
        self._grants = grants

    @contextmanager
    def running(self, *, on_fail: str) -> Iterator[SimpleNamespace]:
        """Take a request for as long as the block runs."""
        assert on_fail == "pass"
        self.holding += 1
        self.threads.add(threading.get_ident())
        try:
            yield SimpleNamespace(active=self._grants)
        finally:
            self.holding -= 1
            self.threads.add(threading.get_ident())


class TestRequest:
    def test_it_is_held_until_it_is_released(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """From the request to its release the system keeps awake, in one thread of its own."""
        system = System()
        monkeypatch.setattr(wakepy, "keep", system)
        request = StayAwake()
        assert request.granted
        assert system.holding == 1

        request.release()
        assert system.holding == 0
        assert len(system.threads) == 1
        assert threading.get_ident() not in system.threads

    def test_a_request_that_is_not_taken_is_told(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Where the system says no, nobody is told otherwise."""
        monkeypatch.setattr(wakepy, "keep", System(grants=False))
        request = StayAwake()

        assert not request.granted
        request.release()

    @pytest.mark.parametrize("broken", [None, SimpleNamespace()], ids=["missing", "strange"])
    def test_whatever_goes_wrong_the_run_goes_on(
        self, monkeypatch: pytest.MonkeyPatch, broken: object
    ) -> None:
        """A library that fails is a request that was not taken."""
        if broken is None:
            monkeypatch.setitem(sys.modules, "wakepy", None)
        else:
            monkeypatch.setattr(wakepy, "keep", broken)
        request = StayAwake()

        assert not request.granted
        request.release()

    @pytest.mark.skipif(sys.platform != "linux", reason="a desktop's bus is a local socket there")
    def test_a_desktop_that_does_not_answer_holds_up_nobody(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        """A bus that takes the connection and says nothing counts as no."""
        monkeypatch.setattr(attention, "_ANSWER_S", 0.5)
        monkeypatch.setattr(attention, "_RELEASE_S", 0.1)
        with socket.socket(socket.AF_UNIX) as bus:
            bus.bind(str(tmp_path / "bus"))
            bus.listen()
            monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", f"unix:path={tmp_path / 'bus'}")
            request = StayAwake()

            assert not request.granted
            assert request._thread.is_alive()  # it still waits for the answer
            request.release()
        request._thread.join()
