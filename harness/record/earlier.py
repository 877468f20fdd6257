"""Figures of the same unit from earlier runs: what it was, beside what it is."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

from harness.errors import RecordError, UsageError
from harness.record.csv_text import EVENTS
from harness.record.events import EventKind
from harness.record.examine import examine, folders, read_regular
from harness.record.figures import EarlierFigure, numbered, read_figures
from harness.record.recorder import serial_name
from harness.record.tables import table_frame

#: So many earlier runs are looked at: each is read in full before it is believed.
_MOST_RUNS = 3


def earlier_figures(
    results: Path, *, serial: str, title: str, rehearsal: bool
) -> tuple[EarlierFigure, ...]:
    """Return the figures of a unit from its latest runs in a results folder, the newest first.

    Only a whole record of the same serial number and the same kind of unit counts, and a rehearsal
    only beside rehearsals. A folder that is missing, or holds none, has no figures.
    """
    found = _of_unit(results, serial=serial, title=title, rehearsal=rehearsal)
    return tuple(itertools.chain.from_iterable(itertools.islice(found, _MOST_RUNS)))


def _of_unit(
    results: Path, *, serial: str, title: str, rehearsal: bool
) -> Iterator[list[EarlierFigure]]:
    meant = (serial, title, rehearsal)
    try:
        there = folders(results)
    except UsageError:
        return
    named = f"Z-{serial_name(serial)}-"
    for folder in there:
        if named not in folder.name:
            continue
        try:
            seen = examine(folder)
        except RecordError:
            continue
        told = tuple(seen.facts[key] for key in ("serial", "title", "rehearsal"))
        if seen.whole and told == meant:
            figures = list(_in_folder(folder, str(seen.facts["started_utc"])[:10]))
            if figures:
                yield figures


def _in_folder(folder: Path, date: str) -> Iterator[EarlierFigure]:
    content = read_regular(folder / "events.csv", Path.read_bytes, [])
    events, _ = table_frame(content or b"", EVENTS)
    details = events.loc[events["kind"] == EventKind.FIGURES, "detail"]
    for of, told in numbered(filter(None, map(read_figures, details))):
        for figure in told.figures:
            if not figure.why_not and figure.expanded >= 0:
                yield EarlierFigure(
                    run=folder.name,
                    date=date,
                    of=of,
                    measure=figure.measure,
                    level=figure.level,
                    unit=figure.unit,
                    value=figure.value,
                    expanded=figure.expanded,
                )
