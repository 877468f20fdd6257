"""The record of one run: a folder that fills while the run goes on, or memory."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import re
import secrets
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

from harness.errors import RecordError
from harness.files.pictures import Picture
from harness.record.csv_text import BUDGETS, CHECKS, EVENTS, READINGS, printable, table_csv
from harness.record.journal import Journal, cannot_write, write_whole
from harness.record.run_summary import completed_facts, unfinished_facts
from harness.record.seal import RUN_FILE, sealed
from harness.record.sink import CheckRow, Renderer, Values
from harness.record.tables import Record, frame

_LONGEST_SERIAL = 40
_TRIES = 16

_Row = tuple[str | float | None, ...]


def run_id_for(serial: str, started: dt.datetime, token: str) -> str:
    """Return the name of a record: UTC time, serial number, and a token of four hex digits.

    What is no ASCII letter, digit, dot or hyphen in the serial number becomes an underscore, so
    that the name is one plain folder name on every system; ``run.json`` has it verbatim.

    Raises:
        ValueError: The time has no zone, or the token is not four hex digits.
    """
    if started.tzinfo is None:
        raise ValueError("the start of a run needs its time zone")
    if not re.fullmatch("[0-9a-f]{4}", token):
        raise ValueError(f"a token is four hex digits, not {token!r}")
    stamp = started.astimezone(dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    return f"{stamp}-{serial_name(serial)}-{token}"


def serial_name(serial: str) -> str:
    """Return a serial number as it stands in the names of records; several may read the same."""
    plain = re.sub(r"[^A-Za-z0-9.-]+", "_", serial[:200])
    plain = re.sub(r"\.{2,}", ".", plain)[:_LONGEST_SERIAL].strip("._-")
    return plain or "unit"


class _Checked:
    """What every recorder has: the run's name, its judged checks, and the account at its end."""

    def __init__(self, run_id: str, serial: str) -> None:
        self.run_id = run_id
        self._serial = serial  # as given
        self._checks: list[CheckRow] = []

    def check(self, row: CheckRow) -> None:
        """Take in a judged check."""
        self._checks.append(row)

    def _completed(self, run: Mapping[str, object]) -> dict[str, Any]:
        facts = completed_facts(run, self._checks, run_id=self.run_id, serial=self._serial)
        sources = [
            {"step": row.step, "check": row.check, "source": row.source}
            for row in self._checks
            if row.source
        ]
        return {**facts, "limit_sources": sources}

    def _check_rows(self) -> list[_Row]:
        return [
            (self.run_id, self._serial, *(getattr(row, name) for name in CHECKS[2:]))
            for row in self._checks
        ]

    def _budget_rows(self) -> list[_Row]:
        return [
            (
                *(self.run_id, row.step, row.check, part.name),
                *(getattr(part, name) for name in BUDGETS[4:]),
            )
            for row in self._checks
            for part in row.budget
        ]


class Recorder(_Checked):
    """Keeps the record of one run in a folder; fulfils :class:`harness.record.sink.Sink`."""

    def __init__(
        self,
        results_dir: Path,
        *,
        serial: str,
        started: dt.datetime,
        renderer: Renderer,
        token: str | None = None,
        pictures: Sequence[Picture] = (),
    ) -> None:
        """Make the folder of a new record, copy the pictures into it, and open its journal.

        The results folder is made where it is missing; without a token the name has a random one.

        Raises:
            RecordError: The folder cannot be made, or is there already, or cannot be written to.
        """
        self.folder = _new_folder(results_dir, serial, started, token)
        super().__init__(self.folder.name, serial)
        self._photos = [
            {"file": picture.file_name(number), "named": picture.named, "sha256": picture.sha256}
            for number, picture in enumerate(pictures, 1)
        ]
        for photo, picture in zip(self._photos, pictures, strict=True):
            self._write(photo["file"], picture.content)
        self._journal = Journal(self.folder)
        self._renderer = renderer

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Append readings; see :meth:`harness.record.sink.Sink.sample`."""
        self._journal.sample(time_s, step, level, values, source)
        self._renderer.sample(time_s, step, values, source)

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Append an event and bring it to the disk."""
        self._journal.event(time_s, kind, step, detail)
        self._renderer.event(time_s, kind, step, detail)

    def finish(self, run: Mapping[str, object]) -> Path:
        """Close the journal and write checks, report and, last of all, ``run.json``.

        Verdict and release are worked out again from the checks, and can only get worse by it.
        Where the report cannot be made, the record is sealed all the same, with a warning and a
        page that says so: the report can be written from the record, the record from nothing.

        Raises:
            RecordError: The record cannot be written; it then reads as interrupted.
            ValueError: The account of the run is not complete.
        """
        facts = {**self._completed(run), "photos": self._photos}
        self._journal.sync()  # reports an earlier error, which closing would not
        self._journal.close()
        files = self._journal.hashes()
        files |= {photo["file"]: photo["sha256"] for photo in self._photos}
        files["checks.csv"] = self._write("checks.csv", table_csv(CHECKS, self._check_rows()))
        files["budgets.csv"] = self._write("budgets.csv", table_csv(BUDGETS, self._budget_rows()))
        files["report.html"] = self._write("report.html", self._report(facts, files))
        self._write(RUN_FILE, sealed({**facts, "files": files}))
        return self.folder

    def abandon(self) -> None:
        """Close what is open and leave the record without ``run.json``; never raises."""
        with contextlib.suppress(RecordError):  # whoever abandons a record has the reason already
            self._journal.close()

    def _report(self, facts: dict[str, Any], files: Mapping[str, str]) -> bytes:
        try:
            return self._renderer.render(facts, self._checks, files)
        except Exception as error:  # noqa: BLE001 - no error of the page may cost the record
            problem = f"{type(error).__name__}: {error}"
            told = f"The report could not be made: {problem}."
            remedy = "'softwake results report' writes it from the record."
            facts["warnings"] = [*facts["warnings"], f"{told} {remedy}"]
            return _no_report_html(self.run_id, problem)

    def _write(self, name: str, content: bytes) -> str:
        """Write a file; return its SHA-256."""
        path = self.folder / name
        try:
            write_whole(path, content, sync_name=name == RUN_FILE)
        except OSError as error:
            raise cannot_write(path, error) from error
        return hashlib.sha256(content).hexdigest()


def _new_folder(results_dir: Path, serial: str, started: dt.datetime, token: str | None) -> Path:
    for _ in range(1 if token else _TRIES):
        folder = results_dir / run_id_for(serial, started, token or secrets.token_hex(2))
        try:
            results_dir.mkdir(parents=True, exist_ok=True)
            folder.mkdir()
        except FileExistsError as error:
            if results_dir.is_dir():
                continue
            raise cannot_write(results_dir, error) from error
        except OSError as error:
            raise cannot_write(folder, error) from error
        return folder
    raise RecordError(
        "a record of this name is there already",
        where=str(folder),
        remedy="start again in a second, or name another folder with --results",
    )


class MemoryRecorder(_Checked):
    """Keeps the record of one run in memory; fulfils :class:`harness.record.sink.Sink`."""

    folder: None = None

    def __init__(self, *, serial: str, started: dt.datetime, token: str | None = None) -> None:
        super().__init__(run_id_for(serial, started, token or secrets.token_hex(2)), serial)
        self._samples: list[tuple[float, str, str, Values, str]] = []
        self._events: list[tuple[float, str, str, str]] = []
        self._facts: dict[str, Any] | None = None

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Keep readings."""
        self._samples.append((time_s, step, level, values, source))

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Keep an event."""
        self._events.append((time_s, kind, step, detail))

    def finish(self, run: Mapping[str, object]) -> None:
        """Complete the record; see :meth:`Recorder.finish`."""
        self._facts = self._completed(run)

    def abandon(self) -> None:
        """Leave the record without its end: it reads as interrupted."""
        self._facts = None

    def frames(self) -> Record:
        """Return the record as :func:`harness.record.load` returns one read from a folder."""
        problems = [] if self._facts else ["the run was not finished"]
        readings = [
            (time_s, step, level, quantity, value, unit, source)
            for time_s, step, level, values, source in self._samples
            for quantity, value, unit in values
        ]
        return Record(
            readings=frame(READINGS, readings),
            events=frame(EVENTS, self._events),
            checks=frame(CHECKS, self._check_rows()),
            budgets=frame(BUDGETS, self._budget_rows()),
            run=self._facts or unfinished_facts(self.run_id, self._serial, *problems),
            folder=None,
            whole=not problems,
            problems=tuple(problems),
        )


def _no_report_html(run_id: str, problem: str) -> bytes:
    """Return the page of a record whose report could not be made; it says nothing of the unit."""
    name, told = (escape(printable(text)) for text in (run_id, problem))
    page = (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>No report</title>'
        f"</head><body><h1>This run has no report</h1><p>Run {name}. Its report could not be made: "
        f"{told}.</p><p>The record beside this page is complete, and says how the run ended. Write "
        f"the report from it: <code>softwake results report {name}</code></p></body></html>\n"
    )
    return page.encode(errors="backslashreplace")
