"""The journal: readings and events, on disk as they happen.

Each row is handed to the operating system at once, so that a killed process loses none. ``fsync``
follows at every event, and with the first row after 200 ms, so that a power cut at the bench loses
no more than that.
"""

from __future__ import annotations

import errno
import hashlib
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Self

from harness.errors import RecordError
from harness.record.csv_text import EVENTS, READINGS, header, label, number, word
from harness.record.disk import cannot_write, sync_folder
from harness.record.sink import Values

#: Longest real time between two ``fsync`` while rows come in.
SYNC_EVERY_S = 0.2


class Journal:
    """Appends to ``readings.csv`` and ``events.csv`` of a new folder.

    After an error nothing more is written: what is on disk up to there stays as it is.

    Args:
        folder: An existing folder without these files.
        now_s: Real monotonic time in seconds, for the rhythm of ``fsync``.

    Raises:
        RecordError: The files cannot be made.
    """

    def __init__(self, folder: Path, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._synced_s = now_s()
        self._error: RecordError | None = None
        self._closed = False
        self._tables: list[_Table] = []
        try:
            for name, columns in (("readings.csv", READINGS), ("events.csv", EVENTS)):
                self._tables.append(_Table(folder / name, columns))
            for new in (folder, folder.parent):
                sync_folder(new)
        except OSError as error:
            self._fail(folder, error)
        self._readings, self._events = self._tables
        self.sync()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Append one row a reading; see :meth:`harness.record.sink.Sink.sample`.

        Raises:
            RecordError: The rows cannot be written, or could not before.
        """
        start = f"{float(time_s)!r},{label(step)},{label(level)},"
        end = f",{label(source)}\n"
        rows = [
            f"{start}{label(quantity)},{float(value)!r},{label(unit)}{end}"
            for quantity, value, unit in values
        ]
        self._append(self._readings, "".join(rows))
        if self._now_s() - self._synced_s >= SYNC_EVERY_S:
            self.sync()

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Append one event and bring all to the disk.

        Raises:
            RecordError: It cannot be written, or could not be before.
        """
        row = f"{number(time_s)},{word(kind)},{word(step)},{word(detail)}\n"
        self._append(self._events, row)
        self.sync()

    def sync(self) -> None:
        """Bring all rows to the disk, and see that the files are still where they belong.

        Raises:
            RecordError: They are not, or the disk reports an error.
        """
        self._require_open()
        for table in self._tables:
            try:
                table.sync()
            except OSError as error:
                self._fail(table.path, error)
        self._synced_s = self._now_s()

    def close(self) -> None:
        """Bring all rows to the disk and close the files; a second call does nothing.

        Raises:
            RecordError: The last rows could not be brought to the disk. Not raised again where an
                earlier call has reported an error.
        """
        try:
            if not self._closed:
                self.sync()
        finally:
            self._shut()

    def hashes(self) -> dict[str, str]:
        """Return the SHA-256 (hex) of what was written, by file name."""
        return {table.path.name: table.sha256 for table in self._tables}

    def _append(self, table: _Table, rows: str) -> None:
        self._require_open()
        try:
            table.append(rows.encode())
        except OSError as error:
            self._fail(table.path, error)

    def _require_open(self) -> None:
        if self._closed:
            closed = RecordError("the journal is closed", where=str(self._tables[0].path.parent))
            raise self._error or closed

    def _fail(self, path: Path, error: OSError) -> None:
        self._error = cannot_write(path, error)
        self._shut()
        raise self._error from error

    def _shut(self) -> None:
        self._closed = True
        for table in self._tables:
            table.close()


class _Table:
    """One file of the journal."""

    def __init__(self, path: Path, columns: Sequence[str]) -> None:
        self.path = path
        # Unbuffered: a full disk shows at the row that met it, not at some later one.
        self._file = path.open("xb", buffering=0)
        self._hash = hashlib.sha256()
        self._dirty = False
        self.append(header(columns).encode())

    @property
    def sha256(self) -> str:
        return self._hash.hexdigest()

    def append(self, rows: bytes) -> None:
        self._dirty = True
        written = self._file.write(rows)
        while written < len(rows):  # a disk about to be full takes a part and then refuses
            written += self._file.write(rows[written:])
        self._hash.update(rows)

    def sync(self) -> None:
        # A removed file can still be written to, and nobody would ever see what was written.
        self.path.stat()
        if os.fstat(self._file.fileno()).st_nlink == 0:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        if self._dirty:
            os.fsync(self._file.fileno())
            self._dirty = False

    def close(self) -> None:
        # Nothing is buffered here: closing can lose no row, and an error has been reported.
        try:
            self._file.close()
        except OSError:
            self._dirty = False
