from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from harness.record.disk import write_whole


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
