"""The keeper's process, without its pipes."""

from __future__ import annotations

from queue import SimpleQueue
from typing import Any

import pytest

from harness.power import messages
from harness.power.keeper_process import _Service
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
        requests.put(messages.Open(load_bench("bench-simulated-dc"), 0.0))

        _Service(requests, answers).run()

        told = answers.get_nowait()
        assert isinstance(told, messages.Failed)
        assert told.text == "the keeper process: MemoryError: none left"
