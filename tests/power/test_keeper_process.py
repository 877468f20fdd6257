"""The keeper's process, without its pipes."""

from __future__ import annotations

from queue import SimpleQueue
from typing import Any

import pytest

from harness.errors import HarnessError
from harness.power.channel import Open, Request
from harness.power.keeper_process import KeeperService
from harness.profile.load import load_bench


class TestErrors:
    def test_an_error_of_the_program_is_told_to_the_engine(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Whatever ends the keeper's work, the engine hears of it, and takes over."""

        def no_memory(*_: object) -> None:
            raise MemoryError("none left")

        monkeypatch.setattr("harness.power.keeper_process.hold_as_keeper", no_memory)
        requests: SimpleQueue[Any] = SimpleQueue()
        answers: SimpleQueue[Any] = SimpleQueue()
        requests.put(Request(0, Open(load_bench("bench-simulated-dc"), 0.0)))

        KeeperService(requests, answers).run()

        told = answers.get_nowait()
        assert isinstance(told, HarnessError)
        assert str(told) == "the keeper process: MemoryError: none left"
