"""The runs of a results folder, for a screen on the workshop's wall: what goes on, and today's."""

from __future__ import annotations

import datetime as dt
import json
import time
from pathlib import Path

from harness.record.csv_text import printable
from harness.record.examine import folders
from harness.record.last_words import GONE
from harness.watch.app import Runs
from harness.watch.feed import RunFeed

#: Runs shown at most, newest first.
_MOST = 40
#: A run that has written nothing for so long, and has no end, was cut short.
_CUT_SHORT_S = 3600.0
#: A finished run that nobody has looked at for a while is let go.
_LOOK_S = 2.0


class Folder(Runs):
    """The runs of today; looked for again and again."""

    def __init__(self, results: Path) -> None:
        self._results = results
        self._feeds: dict[str, RunFeed] = {}
        self._listed = "[]"
        self._looked_s = float("-inf")
        self.turn()

    def feed(self, name: str) -> RunFeed | None:
        """Return a run of today by its name."""
        return self._feeds.get(name)

    def listed(self) -> str:
        """Return all runs in short, newest first, as JSON."""
        return self._listed

    def turn(self) -> bool:
        """Look for what is new; it is never over."""
        now_s = time.monotonic()
        if now_s - self._looked_s >= _LOOK_S:
            self._looked_s = now_s
            self._look()
        for feed in list(self._feeds.values()):
            feed.poll()  # of one that is over: what is kept beside it, perhaps later
            if not feed.over:
                feed.look_for_silence()
        self._listed = json.dumps([_short(feed) for feed in list(self._feeds.values())])
        return False

    def _look(self) -> None:
        """Find the runs of today, and those before that are not over."""
        found: dict[str, RunFeed] = {}
        for folder in folders(self._results)[:_MOST]:
            known = self._feeds.get(folder.name)
            if known is None and not (_is_of_today(folder.name) or _grows(folder)):
                continue
            found[folder.name] = known or RunFeed(folder)
        self._feeds = found


def _is_of_today(name: str) -> bool:
    """Whether a run began today, by this machine's time of day."""
    try:
        begun = dt.datetime.strptime(name.partition("-")[0], "%Y%m%dT%H%M%S%z")
    except ValueError:
        return False
    day = begun.astimezone().date()
    return day == dt.datetime.now().astimezone().date()


def _grows(folder: Path) -> bool:
    """Whether a run from before today may still go on."""
    try:
        age_s = time.time() - (folder / "readings.csv").stat().st_mtime
    except OSError:
        return False
    return age_s < _CUT_SHORT_S and not (folder / "run.json").exists()


def _short(feed: RunFeed) -> dict[str, object]:
    view = feed.view()
    said = (view.step, view.doing, view.trip, view.held_text, view.problem)
    told = "; ".join(filter(None, said))
    word, mark = view.power_words, ""
    gone = f": {GONE} (" in view.trip and view.power == "off"
    if gone:  # the keeper's last word: nobody goes on with it
        word, mark, told = "Run was cut short", "fail", f"{view.power_words}; {view.trip}"
    if view.ending is not None:
        word, mark, told = view.ending.word, view.ending.mark, view.ending.reason
    return {
        "name": feed.folder.name,
        "over": feed.over or gone,
        "power": view.power,
        "word": word,
        "mark": mark,
        "serial": view.serial,
        "title": view.title,
        "told": printable(told),
    }
