"""What the page is sent of one run: what is seen now, and of the plot what is new."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from harness.record.explanation import Explanation, explanation_file, kept_explanation
from harness.report.explained import worth_telling
from harness.watch.fits import Fits
from harness.watch.fold import Output
from harness.watch.tail import Tail
from harness.watch.trend import Trend
from harness.watch.view import View, view_of

#: While power is on a run writes at least each 12 s; a journal silent for longer tells nothing.
SILENT_S = 30.0
#: Time between two messages where nothing but the time has changed.
_BEAT_S = 1.0
#: What most likely explains a run is kept soon after its end, or later by asking: so long it is
#: waited for.
_EXPLAINED_S = 15.0


class RunFeed:
    """Follows one run; anybody asks it for what is new to them."""

    def __init__(self, folder: Path) -> None:
        self._trend = Trend()
        self.fits = Fits()
        self._tail = Tail(folder, self._trend, self.fits)
        self.folder = folder
        self.text = ""  # what is seen now, as JSON
        self.beat = 0  # counts how often that was made
        self.said_last = False  # whether what is seen now was made when nothing more was waited for
        self._made_s = float("-inf")
        self._grown_s = time.monotonic()
        self._over_s = float("inf")
        self._explanation: Explanation | None = None
        self._explained_ns = 0  # when what is kept was last written

    @property
    def told_all(self) -> bool:
        """Whether nothing more is waited for: the run has ended, and what explains it is here."""
        waited_s = time.monotonic() - self._over_s
        return self.over and (self._explanation is not None or waited_s > _EXPLAINED_S)

    @property
    def over(self) -> bool:
        """Whether the run has ended and its record is there."""
        return self._tail.fold.run is not None

    @property
    def output(self) -> Output:
        """What the journal last said of the output."""
        return self._tail.fold.output

    def poll(self) -> None:
        """Take in what is new."""
        grown = self._tail.poll()
        while self._tail.poll():
            pass
        now_s = time.monotonic()
        if grown:
            self._grown_s = now_s
        if self.over:
            self._over_s = min(self._over_s, now_s)
            grown = self._look_beside() or grown
            if self.said_last and not grown:
                return
        if not grown and now_s - self._made_s < _BEAT_S:
            return
        self._made_s = now_s
        self.said_last = self.told_all
        self.text = json.dumps(asdict(self.view()), allow_nan=False)
        self.beat += 1

    def view(self) -> View:
        """Return what is seen now."""
        return view_of(self._tail.fold, self._tail.now_s(), self._explanation)

    def _look_beside(self) -> bool:
        """Take in what is kept of what most likely explains the run; whether it is new."""
        try:
            written_ns = explanation_file(self.folder).stat().st_mtime_ns
        except OSError:
            return False
        if written_ns == self._explained_ns:
            return False
        self._explained_ns = written_ns
        told = kept_explanation(self.folder)
        self._explanation = told if told is not None and worth_telling(told) else None
        return True

    def lose(self, why: str) -> None:
        """Note that the program that led the run is gone, and left no record of its end."""
        if not self.over:
            self._tail.fold.lost = why
            self._made_s = float("-inf")

    def look_for_silence(self) -> None:
        """Note where nothing was heard for too long while power was on."""
        silent_s = time.monotonic() - self._grown_s
        fold = self._tail.fold
        quiet = silent_s > SILENT_S and fold.output is Output.ON and fold.run is None
        fold.lost = f"nothing was written for {silent_s:.0f} s" if quiet else ""

    def plot(self, seen: tuple[int, int, int]) -> tuple[dict[str, Any], tuple[int, int, int]]:
        """Return what is new of the plot since ``seen``, and what is seen then.

        The last point may still have grown, so it comes again.
        """
        generation, points, marks = seen
        trend = self._trend
        whole = generation != trend.generation
        begin = 0 if whole else max(points - 1, 0)
        fresh = {
            "from": begin,
            "points": trend.points[begin:],
            "marks": trend.marks[marks:],
            "mark": marks,
            "last": self.said_last,
            "fits": self.fits.told,
        }
        return fresh, (trend.generation, len(trend.points), len(trend.marks))
