"""The folder of a campaign: what is being done, and what is done already."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from harness.errors import RecordError, UsageError
from harness.files.named_file import FromFile
from harness.qualify.unit_result import UnitResult
from harness.qualify.worker import Job
from harness.shipped import version_of

#: Counts up when a row of the journal means something else than before.
_FORMAT = 4


class CampaignJournal:
    """A folder with ``campaign.json`` (what is being done) and ``units.jsonl`` (what is done).

    Lines come in the order in which workers finish; every line has its unit's number. A line that
    was cut off by the end of the program counts as not done. Without a folder nothing is kept.

    UsageError: it holds another campaign, or one that cannot be read, or somebody is at work in it.
    RecordError: it cannot be read or written.
    """

    def __init__(self, folder: Path | None, jobs: Sequence[Job]) -> None:
        self.done: dict[int, UnitResult] = {}  # by number of the unit
        self._folder = folder
        self._open_files = contextlib.ExitStack()
        self._file: Any = None
        if folder is None:
            return
        with self._open_files, errors_name(folder):
            folder.mkdir(parents=True, exist_ok=True)
            try:
                self._open_files.enter_context(FileLock(folder / "campaign.lock", timeout=0))
            except Timeout as error:
                raise UsageError(
                    "another campaign is at work in this folder",
                    where=str(folder),
                    remedy="wait for it, or name another folder with --out",
                ) from error
            _claim(folder / "campaign.json", jobs)
            path = folder / "units.jsonl"
            whole = self._read(path)
            file = path.open("a", encoding="utf-8", newline="\n")
            self._file = self._open_files.enter_context(file)
            self._file.truncate(whole)
            self._open_files = self._open_files.pop_all()  # all is well: they stay open

    def add(self, lines: list[str]) -> None:
        """Append finished units; they are out of this program's hands when it returns."""
        if self._folder is not None:
            with errors_name(self._folder):
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
def errors_name(path: Path, what: str = "the campaign cannot be kept") -> Iterator[None]:
    """Raise an OSError as a RecordError that names the path."""
    try:
        yield
    except OSError as error:
        raise RecordError(f"{what}: {error.strerror}", where=str(path)) from error


def _claim(path: Path, jobs: Sequence[Job]) -> None:
    """Note what the folder is for, or see that it is for this campaign already."""
    # what must be the same for two halves of a campaign to fit together
    profile, model = jobs[0].profile, jobs[0].model
    facts = {
        "format": _FORMAT,
        "softwake": version_of("softwake"),
        "title": profile.title,
        "profile": _digest(profile),
        "unit_model": None if model is None else f"{model.title}, {_digest(model)}",
        # of each lot
        "first": [job.first for job in jobs],
        "seed": [job.seed for job in jobs],
        "faults": [list(job.faults) for job in jobs],
        "mix": [job.mix.value for job in jobs],
        "laws": [asdict(job.laws) for job in jobs],
    }
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


def _digest(file: FromFile) -> str:
    """What a file says, whatever its layout and comments."""
    return hashlib.sha256(file.model_dump_json().encode()).hexdigest()
