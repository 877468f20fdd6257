"""The journal of a campaign: what is done already, so that an interrupted one goes on."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from harness.errors import RecordError, UsageError
from harness.files.named_file import FromFile
from harness.qualify.unit_result import UnitResult
from harness.qualify.worker import Job, software_version

#: Counts up when a row means something else than before.
_FORMAT = 3


class CampaignJournal:
    """A folder with ``campaign.json`` (what is being done) and ``units.jsonl`` (what is done).

    Lines come in the order in which workers finish; every line has its unit's number. A line that
    was cut off by the end of the program counts as not done. Without a folder nothing is kept.

    Raises:
        UsageError: The folder holds another campaign, or one that cannot be read, or somebody is
            at work in it.
        RecordError: It cannot be read or written.
    """

    def __init__(self, folder: Path | None, job: Job) -> None:
        self.folder = folder
        self.done: dict[int, UnitResult] = {}  # by number of the unit
        self._open_files = contextlib.ExitStack()
        self._file: Any = None
        if folder is None:
            return
        with self._open_files, _errors_name(folder):
            folder.mkdir(parents=True, exist_ok=True)
            try:
                self._open_files.enter_context(FileLock(folder / "campaign.lock", timeout=0))
            except Timeout as error:
                raise UsageError(
                    "another campaign is at work in this folder",
                    where=str(folder),
                    remedy="wait for it, or name another folder with --out",
                ) from error
            _claim(folder / "campaign.json", _facts(job))
            path = folder / "units.jsonl"
            whole = self._read(path)
            file = path.open("a", encoding="utf-8", newline="\n")
            self._file = self._open_files.enter_context(file)
            self._file.truncate(whole)
            self._open_files = self._open_files.pop_all()  # all is well: they stay open

    def add(self, lines: list[str]) -> None:
        """Append finished units; they are out of this program's hands when it returns.

        Raises:
            RecordError: The file cannot be written.
        """
        if self.folder is not None:
            with _errors_name(self.folder):
                self._file.write("".join(lines))
                self._file.flush()
        self.done.update((row.index, row) for row in map(UnitResult.from_line, lines))

    def close(self) -> None:
        """Close the journal and leave the folder to others."""
        self._open_files.close()

    def _read(self, path: Path) -> int:
        """Read what is done; return the length of the whole lines."""
        content = path.read_bytes() if path.exists() else b""
        whole = content.rfind(b"\n") + 1
        for number, line in enumerate(content[:whole].splitlines(), 1):
            try:
                row = UnitResult.from_line(line.decode("utf-8"))
            except ValueError as error:
                raise UsageError(
                    "a line of the journal cannot be read",
                    where=f"{path}:{number}",
                    remedy="remove the line: its unit is then done again",
                ) from error
            self.done[row.index] = row
        return whole


@contextlib.contextmanager
def _errors_name(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordError(
            f"the campaign cannot be kept: {error.strerror}", where=str(folder)
        ) from error


def _claim(path: Path, facts: dict[str, Any]) -> None:
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
            where=str(path.parent),
            remedy="name another folder with --out, or remove this one",
        )


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
