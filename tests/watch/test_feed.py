from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import pytest

from harness.record.journal import Journal
from harness.watch.app import Page
from harness.watch.feed import RunFeed
from tests.watch.test_app import VIEW, One, ask


@pytest.fixture
def powered(tmp_path: Path) -> RunFeed:
    """A run under power that writes nothing more."""
    with contextlib.closing(Journal(tmp_path)) as journal:
        journal.event(0.0, "power on", "start", "")
    feed = RunFeed(tmp_path)
    feed.poll()
    return feed


class TestSilence:
    def test_a_journal_that_is_silent_under_power_tells_nothing(
        self, powered: RunFeed, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where nothing is written for longer than any hold keeps silent, power is not known."""
        powered.look_for_silence()
        assert powered.view().power == "on"
        monkeypatch.setattr("harness.watch.feed.SILENT_S", -1.0)
        powered.look_for_silence()

        assert powered.view().power == "unknown"
        assert powered.view().problem.startswith("nothing was written for ")

    def test_a_run_whose_program_is_gone_is_not_known(self, powered: RunFeed) -> None:
        """Where the program that led a run is gone, power is said not to be known, and why."""
        powered.lose("it is gone")

        assert powered.view().power_words == "POWER NOT KNOWN: LOOK AT THE SUPPLY"
        assert powered.view().problem == "it is gone"

    def test_how_a_run_ended_is_known(self, record: Any) -> None:
        """A finished run stays what it was, whatever becomes of its program."""
        feed = RunFeed(record())
        feed.poll()
        feed.lose("it is gone")

        assert feed.view().power == "off"


class TestViewers:
    def test_there_is_room_for_so_many(
        self, tmp_path: Path, powered: RunFeed, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """More viewers than there is room for are turned away, and cost nothing."""
        assert powered.beat
        monkeypatch.setattr("harness.watch.app._MOST_VIEWERS", 0)
        page = Page(One(tmp_path), port=8765, view_token=VIEW)

        assert ask(page, f"/{VIEW}/events")[0] == 503

    def test_one_that_is_slow_gets_all_of_the_plot(self, powered: RunFeed) -> None:
        """Whoever has seen nothing yet gets the whole plot, and after that what is new."""
        plot, seen = powered.plot((-1, 0, 0))
        again, _ = powered.plot(seen)

        assert plot["from"] == 0
        assert len(again["points"]) <= 1
