from __future__ import annotations

import contextlib
import shutil
from pathlib import Path
from typing import Any

import pytest

from harness.record.explanation import keep_explanation
from harness.record.journal import Journal
from harness.watch.app import Page
from harness.watch.feed import RunFeed
from tests.explanations import explanation
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


class TestExplained:
    def test_what_is_kept_after_the_end_is_seen(
        self, record: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """What most likely explains a run comes after its end, and again where it has changed."""
        folder = Path(shutil.copytree(record(), tmp_path / record().name))
        feed = RunFeed(folder)
        feed.poll()
        assert (feed.view().explained, feed.told_all) == (None, False)

        keep_explanation(folder, explanation(folder))
        feed.poll()
        told = feed.view().explained
        assert told is not None
        assert told.headline == "Most likely: output too low (90 %)."
        assert feed.plot((-1, 0, 0))[0]["last"]

        keep_explanation(folder, explanation(folder, headline="Unlike anything simulated."))
        monkeypatch.setattr(feed, "_explained_ns", 0)  # whatever the file system's clock shows
        feed.poll()
        assert "Unlike anything simulated." in feed.text

    def test_it_is_not_waited_for_without_end(
        self, record: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where nothing is kept, the page has its last word all the same."""
        monkeypatch.setattr("harness.watch.feed._EXPLAINED_S", -1.0)
        feed = RunFeed(record())
        feed.poll()

        assert feed.told_all
        assert feed.view().explained is None


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
