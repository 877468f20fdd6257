"""How a record gets to the disk: readings and events as they happen, other files whole.

Each row of the journal is handed to the operating system at once, so that a killed process loses
none. ``fsync`` follows at every event, and with the first row after 200 ms, so that a power cut at
the bench loses no more than that.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from harness.errors import RecordError
from harness.record.csv_text import EVENTS, READINGS, header, label, number, word
from harness.record.sink import Values

#: Longest real time between two ``fsync`` while rows come in.
SYNC_EVERY_S = 0.2

#: What a file system answers that cannot sync a folder, such as a network share.
_CANNOT_SYNC = {errno.EINVAL, errno.EBADF, errno.ENOTSUP, errno.EACCES}

_ELSEWHERE = "name another folder with --results"
_REMEDIES = {
    errno.ENOSPC: f"free space on the disk, or {_ELSEWHERE}",
    errno.EDQUOT: f"free space in your quota, or {_ELSEWHERE}",
    errno.EROFS: f"the disk is read-only; {_ELSEWHERE}",
    errno.EACCES: f"check who may write there, or {_ELSEWHERE}",
    errno.EPERM: f"check who may write there, or {_ELSEWHERE}",
    errno.ENOENT: "the folder is gone; leave it in place while a run goes on",
}


class Journal:
    """Appends to ``readings.csv`` and ``events.csv``, which it makes in a folder that exists.

    After an error nothing more is written: what is on disk up to there stays as it is. Every method
    raises :class:`~harness.errors.RecordError` where its rows, or those before, cannot be written.
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

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Append one row a reading; see :meth:`harness.record.sink.Sink.sample`."""
        start = f"{float(time_s)!r},{label(step)},{label(level)},"
        rows = [
            f"{start}{label(quantity)},{float(value)!r},{label(unit)},{label(source)}\n"
            for quantity, value, unit in values
        ]
        self._append(self._readings, "".join(rows))
        if self._now_s() - self._synced_s >= SYNC_EVERY_S:
            self.sync()

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Append one event and bring all to the disk."""
        row = f"{number(time_s)},{word(kind)},{word(step)},{word(detail)}\n"
        self._append(self._events, row)
        self.sync()

    def sync(self) -> None:
        """Bring all rows to the disk, and see that the files are still where they belong."""
        self._require_open()
        for table in self._tables:
            try:
                table.sync()
            except OSError as error:
                self._fail(table.path, error)
        self._synced_s = self._now_s()

    def close(self) -> None:
        """Bring all rows to the disk and close the files; after that, or an error, do nothing."""
        try:
            if not self._closed:
                self.sync()
        finally:
            self._shut()

    def hashes(self) -> dict[str, str]:
        """Return the SHA-256 (hex) of what was written, by file name."""
        return {table.path.name: table.hash.hexdigest() for table in self._tables}

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
        # Nothing is buffered here: closing can lose no row, and an error has been reported.
        self._closed = True
        for table in self._tables:
            with contextlib.suppress(OSError):
                table.file.close()


class _Table:
    """One file of the journal."""

    def __init__(self, path: Path, columns: Sequence[str]) -> None:
        self.path = path
        # Unbuffered: a full disk shows at the row that met it, not at some later one.
        self.file = path.open("xb", buffering=0)
        self.hash = hashlib.sha256()
        self._dirty = False
        self.append(header(columns).encode())

    def append(self, rows: bytes) -> None:
        self._dirty = True
        written = self.file.write(rows)
        while written < len(rows):  # a disk about to be full takes a part and then refuses
            written += self.file.write(rows[written:])
        self.hash.update(rows)

    def sync(self) -> None:
        # A removed file can still be written to, and nobody would ever see what was written.
        self.path.stat()
        if os.fstat(self.file.fileno()).st_nlink == 0:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        if self._dirty:
            os.fsync(self.file.fileno())
            self._dirty = False


def cannot_write(path: Path, error: OSError) -> RecordError:
    """Say what failed, where, and what to do, for an error of the operating system."""
    return RecordError(
        f"the record cannot be written: {error.strerror or type(error).__name__}",
        where=str(path),
        remedy=_REMEDIES.get(error.errno or 0, f"check the disk, or {_ELSEWHERE}"),
    )


def write_whole(path: Path, content: bytes, *, sync_name: bool = True) -> None:
    """Write a new file so that it is there whole or not at all, even if power fails meanwhile.

    With ``sync_name`` its name is brought to the disk as well; one file of several in a folder can
    leave that to the last.

    Raises:
        OSError: It cannot be written; nothing stays under its name.
    """
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        if sync_name:
            sync_folder(path.parent)
    except OSError:
        # Also where only the folder could not be synced: a file that was reported as not written
        # must not be found later, least of all one that says "released".
        for left in (part, path):
            with contextlib.suppress(OSError):
                left.unlink()
        raise


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, on systems where folders are files too.

    Raises:
        OSError: The disk reports an error.
    """
    if os.name == "nt":
        return
    try:
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        if error.errno not in _CANNOT_SYNC:
            raise
