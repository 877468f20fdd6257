"""Follows a run by what stands in its folder: nothing else, so that the run never waits for it.

Nothing in a folder is trusted: only regular files directly in it are opened, and lines that the
program does not write are passed over.
"""

from __future__ import annotations

import csv
import datetime as dt
import math
import stat
from collections.abc import Iterator, Sequence
from operator import itemgetter
from pathlib import Path
from typing import Protocol

from harness.errors import RecordError
from harness.record.csv_text import EVENTS, READINGS, header, word_back
from harness.record.examine import examine
from harness.record.seal import RUN_FILE
from harness.watch.fold import Fold

#: So much of a file is read at a time: whoever comes late to a long run stays small.
_PIECE_BYTES = 1 << 20
#: A line longer than this is none of ours.
_LONGEST_LINE = 1 << 20


class Follower(Protocol):
    """Whoever wants the readings one by one, too, such as a plot."""

    def reading(self, time_s: float, source: str, name: str, value: float, unit: str) -> None:
        """Take in one row of ``readings.csv``."""

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in one row of ``events.csv``."""


class Tail:
    """Folds the journal of one run while it grows."""

    def __init__(self, folder: Path, *followers: Follower, until_s: float = math.inf) -> None:
        """Follow a run's folder; with ``until_s`` as it was seen at that time of the run."""
        self.folder = folder
        self.fold = Fold()
        self._followers: tuple[Follower, ...] = (self.fold, *followers)
        self._over = False
        self._until_s = until_s
        self._events = _Growing(folder / "events.csv", EVENTS)
        self._readings = _Growing(folder / "readings.csv", READINGS)

    def poll(self) -> bool:
        """Take in what is new, up to a piece of each file; whether there was anything."""
        if self._over:
            return False
        over = (self.folder / RUN_FILE).exists()  # before the last rows are read: none is missed
        rows = [*self._events.rows(), *self._readings.rows()]
        for row in sorted(rows, key=itemgetter(0)):
            if row[0] <= self._until_s:
                self._take(*row)
        if over and not rows:
            self._over = True
            if self._until_s == math.inf:
                self._end()
        return bool(rows) or over

    def catch_up(self) -> None:
        """Take in all there is."""
        while self.poll():
            pass

    def now_s(self) -> float:
        """Return seconds since the run's start, by the time of day."""
        begun = self.fold.begun
        if begun is None or self.fold.run is not None:
            return self.fold.last_s
        return max((dt.datetime.now(dt.UTC) - begun).total_seconds(), self.fold.last_s)

    def _take(self, time_s: float, *row: str) -> None:
        for follower in self._followers:
            if len(row) == 3:
                kind, step, detail = row
                follower.event(time_s, kind, step, detail)
                continue
            _, _, name, value, unit, source = row
            follower.reading(time_s, source, name, float(value), unit)

    def _end(self) -> None:
        try:
            self.fold.run = examine(self.folder).facts
        except RecordError as error:
            self.fold.problem = str(error)


class _Growing:
    """One file of the journal, read on from where it was left."""

    def __init__(self, path: Path, columns: Sequence[str]) -> None:
        self._path = path
        self._columns = columns
        self._place = 0
        self._rest = b""
        self._headed = False

    def rows(self) -> Iterator[tuple[float, *tuple[str, ...]]]:
        """Yield the rows that are new and whole: time first, the rest as text."""
        piece = self._rest + self._read()
        lines, parted, rest = piece.rpartition(b"\n")
        self._rest = rest if len(rest) <= _LONGEST_LINE else b""
        if not parted:
            return
        texts = [line for line in lines.decode(errors="replace").split("\n") if _is_even(line)]
        if not self._headed:
            self._headed = True
            if f"{texts.pop(0) if texts else ''}\n" != header(self._columns):
                self._place = -1
                return
        for text in texts:
            try:
                [fields] = csv.reader([text])
                if len(fields) != len(self._columns):
                    continue
                time_s = float(fields[0])
                if len(fields) == len(READINGS):
                    float(fields[4])
            except (ValueError, csv.Error):
                continue
            if math.isfinite(time_s):
                yield time_s, *(_plain(field) for field in fields[1:])

    def _read(self) -> bytes:
        if self._place < 0:
            return b""
        try:
            if not stat.S_ISREG(self._path.lstat().st_mode):
                return b""
            with self._path.open("rb") as file:
                file.seek(self._place)
                piece = file.read(_PIECE_BYTES)
        except OSError:  # not there yet, or not any more
            return b""
        self._place += len(piece)
        return piece


def _is_even(line: str) -> bool:
    """Whether the quotation marks of a line are closed in it."""
    return line.count('"') % 2 == 0


def _plain(field: str) -> str:
    # the reader has taken off the quotation marks; the rest of what was done is undone here
    return word_back(field) if "\\" in field or field[:1] == "'" else field
