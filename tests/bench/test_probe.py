"""What is put to an instrument before there is a dialect for it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

import pytest

from harness.bench.probe import Probe
from harness.errors import LinkTimeout


class Link:
    """It answers who it is, and notes what it hears."""

    name = "instrument (wire)"
    timeout_s = 1.0

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.reopened = 0

    def write(self, message: str) -> None:
        """Note it."""
        self.heard.append(message)

    def query(self, message: str) -> str:
        """Answer one question."""
        self.heard.append(message)
        if message != "*IDN?":
            raise LinkTimeout("no answer in time", instrument=self.name)
        return "Workshop,PS-200,7,1.0"

    def reopen(self) -> None:
        """Note it."""
        self.reopened += 1

    def close(self) -> None:
        """Do nothing."""

    @contextlib.contextmanager
    def extended_timeout(self, _: float) -> Iterator[None]:
        """Do nothing."""
        yield


class TestProbe:
    @pytest.mark.parametrize("message", ["OUTP ON", "OUTP ON;:VOLT?", "*TST?", "ID"])
    def test_nothing_but_a_question_is_sent(self, message: str) -> None:
        """What could set or switch does not reach the instrument (safety rule 1)."""
        link: Any = Link()

        with pytest.raises(ValueError, match="may be more than a question"):
            Probe(link, "text").ask(message)
        assert link.heard == []

    def test_after_silence_it_begins_again(self) -> None:
        """A late answer is not taken for the next one's."""
        link: Any = Link()
        probe = Probe(link, "text")

        with pytest.raises(LinkTimeout):
            probe.ask("VOLT?")
        assert link.reopened == 1
        assert probe.ask("*IDN?") == "Workshop,PS-200,7,1.0"
