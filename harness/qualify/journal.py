"""The journal of a campaign: what is done already, so that an interrupted one goes on."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, TextIO

from filelock import FileLock, Timeout

from harness.errors import RecordError, UsageError
from harness.files.from_file import FromFile
from harness.qualify.unit_result import UnitResult
from harness.qualify.worker import Job, software_version

__all__ = ["CampaignJournal"]

#: Counts up when a row means something else than before.
_FORMAT = 2


class CampaignJournal:
    """A folder with ``campaign.json`` (what is being done) and ``units.jsonl`` (what is done).

    Lines come in the order in which workers finish; every line has its unit's number. A line that
    was cut off by the end of the program counts as not done.

    Args:
        folder: The folder; made if it is missing.
        job: The campaign.

    Attributes:
        folder: The folder.
        done: Rows by number of the unit.

    Raises:
        UsageError: The folder holds another campaign, or one that cannot be read, or somebody is
            at work in it.
        RecordError: It cannot be read or written.
    """

    def __init__(self, folder: Path, job: Job) -> None:
        self.folder = folder
        self.done: dict[int, UnitResult] = {}
        self._file: TextIO | None = None
        self._lock = FileLock(folder / "campaign.lock", timeout=0)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
            self._claim(folder / "campaign.json", _facts(job))
            self._file = self._open(folder / "units.jsonl")
        except Timeout as error:
            raise UsageError(
                "another campaign is at work in this folder",
                where=str(folder),
                remedy="wait for it, or name another folder with --out",
            ) from error
        except OSError as error:
            self.close()
            raise RecordError(
                f"the campaign cannot be kept: {error.strerror}", where=str(folder)
            ) from error
        except UsageError:
            self.close()
            raise

    def add(self, lines: list[str]) -> None:
        """Append finished units; they are out of this program's hands when it returns.

        Raises:
            RecordError: The file cannot be written.
        """
        assert self._file is not None
        try:
            self._file.write("".join(lines))
            self._file.flush()
        except OSError as error:
            raise RecordError(
                f"the campaign cannot be kept: {error.strerror}", where=str(self.folder)
            ) from error
        for line in lines:
            row = UnitResult.from_line(line)
            self.done[row.index] = row

    def write(self, name: str, text: str) -> Path:
        """Write a file of results beside the journal.

        Raises:
            RecordError: It cannot be written.
        """
        path = self.folder / name
        try:
            path.write_text(text, encoding="utf-8", newline="\n")
        except OSError as error:
            raise RecordError(f"it cannot be written: {error.strerror}", where=str(path)) from error
        return path

    def close(self) -> None:
        """Close the journal and leave the folder to others."""
        if self._file is not None:
            self._file.close()
        self._lock.release()

    def _claim(self, path: Path, facts: dict[str, Any]) -> None:
        """Note what the folder is for, or see that it is for this campaign already."""
        if not path.exists():
            path.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8", newline="\n")
            return
        try:
            there = json.loads(path.read_text(encoding="utf-8"))
        except ValueError:
            there = None
        if there != facts:
            differs = [key for key in facts if not there or there.get(key) != facts[key]]
            raise UsageError(
                f"the folder holds another campaign (other {', '.join(differs)})",
                where=str(self.folder),
                remedy="name another folder with --out, or remove this one",
            )

    def _open(self, path: Path) -> TextIO:
        """Read what is done and go on behind the last whole line."""
        whole = 0
        if path.exists():
            content = path.read_bytes()
            whole = content.rfind(b"\n") + 1
            self._read(path, content[:whole])
        file = path.open("r+" if path.exists() else "w", encoding="utf-8", newline="\n")
        file.seek(whole)
        file.truncate()
        return file

    def _read(self, path: Path, content: bytes) -> None:
        for number, line in enumerate(content.splitlines(), 1):
            try:
                row = UnitResult.from_line(line.decode("utf-8"))
            except ValueError as error:
                raise UsageError(
                    "a line of the journal cannot be read",
                    where=f"{path}:{number}",
                    remedy="remove the line: its unit is then done again",
                ) from error
            self.done[row.index] = row


def _facts(job: Job) -> dict[str, Any]:
    """What must be the same for two halves of a campaign to fit together."""
    return {
        "format": _FORMAT,
        "softwake": software_version(),
        "title": job.profile.title,
        "profile": _digest(job.profile),
        "unit_model": None if job.model is None else f"{job.model.title}, {_digest(job.model)}",
        "seed": job.seed,
        "faults": list(job.faults),
    }


def _digest(file: FromFile) -> str:
    """What a file says, whatever its layout and comments."""
    return hashlib.sha256(file.model_dump_json().encode()).hexdigest()
