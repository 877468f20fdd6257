from __future__ import annotations

import errno
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from harness.errors import RecordError
from harness.record.journal import SYNC_EVERY_S, Journal, write_whole

VOLTS = (("voltage", 24.0, "V"),)


class Clock:
    """A clock moved by hand."""

    def __init__(self) -> None:
        self.time_s = 100.0

    def now_s(self) -> float:
        """Return the time set."""
        return self.time_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def journal(tmp_path: Path, clock: Clock) -> Iterator[Journal]:
    with closing(Journal(tmp_path, now_s=clock.now_s)) as made:
        yield made


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch, journal: Journal) -> list[str]:
    """Return the names of files as they are brought to the disk."""
    names: list[str] = []
    files = {table.file.fileno(): table.path.name for table in journal._tables}
    true_fsync = os.fsync

    def fsync(descriptor: int) -> None:
        names.append(files.get(descriptor, "?"))
        true_fsync(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    return names


def lines(path: Path) -> list[str]:
    return path.read_bytes().decode().split("\n")


class TestRows:
    def test_readings_are_appended_as_the_design_says(
        self, tmp_path: Path, journal: Journal
    ) -> None:
        """Readings taken together become one row each, in full precision."""
        values = (("voltage", 24.000000000000004, "V"), ("current", 0.1, "A"))

        journal.sample(0.25, "start", "25 %", values, "supply")

        assert lines(tmp_path / "readings.csv") == [
            "time_s,step,level,quantity,value,unit,source",
            "0.25,start,25 %,voltage,24.000000000000004,V,supply",
            "0.25,start,25 %,current,0.1,A,supply",
            "",
        ]

    def test_events_are_appended_as_the_design_says(self, tmp_path: Path, journal: Journal) -> None:
        """An event is one row, whatever an instrument wrote into its text."""
        journal.event(1.5, "trip", "start", '=1+1,"x"\n')

        assert lines(tmp_path / "events.csv") == [
            "time_s,kind,step,detail",
            '1.5,trip,start,"\'=1+1,""x""\\n"',
            "",
        ]

    def test_figures_of_numpy_are_plain_decimal_text(
        self, tmp_path: Path, journal: Journal
    ) -> None:
        """A value that numpy made is written like any other."""
        import numpy as np

        journal.sample(np.float64(0.5), "s", "l", (("voltage", np.float32(0.5), "V"),), "supply")

        assert lines(tmp_path / "readings.csv")[1] == "0.5,s,l,voltage,0.5,V,supply"

    def test_a_row_is_with_the_system_at_once(self, tmp_path: Path) -> None:
        """A process killed right after a sample has lost none of it."""
        code = (
            "import os, pathlib, signal\n"
            "from harness.record.journal import Journal\n"
            f"journal = Journal(pathlib.Path({str(tmp_path)!r}))\n"
            "journal.sample(0.5, 's', 'l', (('voltage', 24.0, 'V'),), 'supply')\n"
            "os._exit(9)\n"
        )

        subprocess.run([sys.executable, "-c", code], check=False)

        assert lines(tmp_path / "readings.csv")[1] == "0.5,s,l,voltage,24.0,V,supply"


class TestSync:
    def test_every_event_reaches_the_disk(self, journal: Journal, synced: list[str]) -> None:
        """An event is brought to the disk before the call returns, with all readings before it."""
        journal.sample(0.1, "s", "l", VOLTS, "supply")
        journal.event(0.2, "settled", "s", "")

        assert synced == ["readings.csv", "events.csv"]

    def test_readings_reach_the_disk_every_200_ms(
        self, journal: Journal, clock: Clock, synced: list[str]
    ) -> None:
        """Of a second of samples 10 ms apart, five are followed by a sync."""
        for _ in range(100):
            clock.time_s += 0.01
            journal.sample(0.1, "s", "l", VOLTS, "supply")

        assert len(synced) in {4, 5}

    def test_within_200_ms_nothing_waits_for_the_disk(
        self, journal: Journal, clock: Clock, synced: list[str]
    ) -> None:
        """Samples closer together than the rhythm cost no sync."""
        clock.time_s += 0.999 * SYNC_EVERY_S
        for _ in range(100):
            journal.sample(0.1, "s", "l", VOLTS, "supply")

        assert synced == []

    def test_closing_brings_the_rest_to_the_disk(self, journal: Journal, synced: list[str]) -> None:
        """The last rows are on the disk when the journal is closed."""
        journal.sample(0.1, "s", "l", VOLTS, "supply")

        journal.close()

        assert synced == ["readings.csv"]

    @pytest.mark.skipif(os.name == "nt", reason="Windows does not remove a file that is open")
    def test_a_removed_folder_is_noticed(self, tmp_path: Path) -> None:
        """A folder that somebody removed ends the journal at the next sync."""
        folder = tmp_path / "run"
        folder.mkdir()
        journal = Journal(folder)
        shutil.rmtree(folder)

        with pytest.raises(RecordError, match="the folder is gone"):
            journal.event(0.0, "step", "start", "")

    @pytest.mark.skipif(os.name == "nt", reason="Windows does not replace a file that is open")
    def test_a_replaced_file_is_noticed(self, tmp_path: Path, journal: Journal) -> None:
        """A new file under the old name does not hide that the rows go nowhere."""
        (tmp_path / "readings.csv").unlink()
        (tmp_path / "readings.csv").write_text("", encoding="utf-8")

        with pytest.raises(RecordError, match=r"readings\.csv"):
            journal.event(0.0, "step", "start", "")


class TestFailure:
    @pytest.mark.parametrize(
        ("number", "advice"),
        [
            (errno.ENOSPC, "free space on the disk"),
            (errno.EROFS, "the disk is read-only"),
            (errno.EIO, "check the disk"),
        ],
    )
    def test_an_error_says_what_where_and_what_to_do(
        self, journal: Journal, monkeypatch: pytest.MonkeyPatch, number: int, advice: str
    ) -> None:
        """An error of the disk names the file, the reason and a remedy."""
        broken(journal, monkeypatch, number)

        with pytest.raises(RecordError) as caught:
            journal.sample(0.1, "s", "l", VOLTS, "supply")

        error = caught.value
        assert error.what == f"the record cannot be written: {os.strerror(number)}"
        assert error.where.endswith("readings.csv")
        assert error.remedy.startswith(advice)

    def test_after_an_error_nothing_more_is_written(
        self, tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The first error closes the journal, and every later call reports it again."""
        broken(journal, monkeypatch, errno.ENOSPC)
        for write in (
            lambda: journal.sample(0.1, "s", "l", VOLTS, "supply"),
            lambda: journal.event(0.1, "trip", "s", ""),
            journal.sync,
        ):
            with pytest.raises(RecordError, match=os.strerror(errno.ENOSPC)):
                write()

        assert len(lines(tmp_path / "events.csv")) == 2

    def test_closing_after_an_error_is_silent(
        self, journal: Journal, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Closing does not report a second time what has been reported."""
        broken(journal, monkeypatch, errno.ENOSPC)
        with pytest.raises(RecordError):
            journal.sample(0.1, "s", "l", VOLTS, "supply")

        journal.close()
        journal.close()

    def test_an_error_at_closing_is_reported_once(
        self, journal: Journal, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where the last rows do not reach the disk, closing says so, once."""
        journal.sample(0.1, "s", "l", VOLTS, "supply")
        monkeypatch.setattr(os, "fsync", refusing(errno.EIO))
        with pytest.raises(RecordError, match=r"readings\.csv"):
            journal.close()

        journal.close()

    def test_a_closed_journal_takes_nothing(self, journal: Journal) -> None:
        """A row after the end is an error, never lost in silence."""
        journal.close()

        with pytest.raises(RecordError, match="the journal is closed"):
            journal.sample(0.1, "s", "l", VOLTS, "supply")

    def test_a_half_taken_write_is_taken_up_again(
        self, tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A system that takes five bytes at a time gets every byte."""
        table = journal._tables[0]
        true_file = table.file

        class Slow:
            def write(self, rows: bytes) -> int:
                return true_file.write(rows[:5])

            def __getattr__(self, name: str) -> Any:
                return getattr(true_file, name)

        monkeypatch.setattr(table, "file", Slow())

        journal.sample(0.5, "s", "l", VOLTS, "supply")

        assert lines(tmp_path / "readings.csv")[1] == "0.5,s,l,voltage,24.0,V,supply"

    @pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
    def test_a_full_disk_shows_at_the_row_that_met_it(
        self, journal: Journal, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A device without space refuses the very row."""
        with Path("/dev/full").open("wb", buffering=0) as full:
            monkeypatch.setattr(journal._tables[0], "file", full)

            with pytest.raises(RecordError, match="free space on the disk"):
                journal.sample(0.1, "s", "l", VOLTS, "supply")

    def test_files_that_are_there_are_not_written_over(self, tmp_path: Path) -> None:
        """A journal never opens a file that somebody else made, a link included."""
        (tmp_path / "readings.csv").write_text("precious", encoding="utf-8")

        with pytest.raises(RecordError, match="File exists"):
            Journal(tmp_path)

        assert (tmp_path / "readings.csv").read_text(encoding="utf-8") == "precious"


def refusing(number: int) -> Callable[..., Any]:
    def refuse(*_: object) -> Any:
        raise OSError(number, os.strerror(number))

    return refuse


def broken(journal: Journal, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Let the readings' disk refuse every write."""

    class Refusing:
        write = staticmethod(refusing(number))

        def close(self) -> None:
            pass

    true_file = journal._tables[0].file
    monkeypatch.setattr(journal._tables[0], "file", Refusing())
    true_file.close()


def refuse_folders(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Let the disk refuse to sync folders."""
    true_fsync = os.fsync

    def fsync(descriptor: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(number, os.strerror(number))
        true_fsync(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)


class TestWriteWhole:
    def test_a_file_is_there_whole(self, tmp_path: Path) -> None:
        """What was written is there under its name, and nothing beside it."""
        write_whole(tmp_path / "run.json", b"{}")

        assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"run.json": b"{}"}

    @pytest.mark.skipif(os.name == "nt", reason="Windows has no folders to sync")
    def test_what_is_reported_as_not_written_is_not_there(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where the new name did not reach the disk, the file is taken away again."""
        refuse_folders(monkeypatch, errno.EIO)

        with pytest.raises(OSError, match=os.strerror(errno.EIO)):
            write_whole(tmp_path / "run.json", b"{}")

        assert list(tmp_path.iterdir()) == []

    @pytest.mark.skipif(os.name == "nt", reason="Windows has no folders to sync")
    def test_a_file_system_that_cannot_sync_folders_will_do(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A network share that knows no sync of folders can keep records."""
        refuse_folders(monkeypatch, errno.EINVAL)

        write_whole(tmp_path / "run.json", b"{}")

        assert (tmp_path / "run.json").exists()
