"""Looks a record's folder over: what is there, what has changed, and what may be believed.

The hashes show what changed by accident or by an edit; they are no signature.

Nothing in a folder is trusted: only regular files directly in it are opened, so that no link leads
out of it and no pipe keeps anybody waiting.
"""

from __future__ import annotations

import hashlib
import json
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar

from harness.errors import RecordError
from harness.judge.verdict import Verdict
from harness.record.csv_text import CHECKS, sound_text
from harness.record.run_summary import LISTS, NEEDED, OUTCOMES, TABLES, is_release, unfinished_facts
from harness.record.seal import RUN_FILE, seal_holds

T = TypeVar("T")

#: Every file of a whole record beside ``run.json``.
FILES = ("readings.csv", "events.csv", "checks.csv", "report.html")

#: Largest ``run.json`` and ``checks.csv`` that are read; real ones are a thousandth of it.
_MOST_BYTES = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What a look at a record's folder found.

    Attributes:
        folder: The folder.
        facts: What ``run.json`` says, every needed key there. Where the record is not whole,
            ``released`` is False and ``verdict`` is never ``pass``.
        found: What is there and as it should be, each in a sentence.
        problems: What is missing, damaged or contradictory.
        remarks: What is odd but harms nothing, such as a file that is no part of the record.
    """

    folder: Path
    facts: dict[str, Any]
    found: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    remarks: tuple[str, ...] = field(default=())

    @property
    def findings(self) -> tuple[str, ...]:
        """All that was found, what is wrong first."""
        return (*self.problems, *self.found, *self.remarks)

    @property
    def whole(self) -> bool:
        """Whether everything is there and no byte has changed."""
        return not self.problems


def examine(folder: Path) -> Examined:
    """Look a record's folder over, reading every byte of it.

    Raises:
        RecordError: The folder is none, holds no record at all, or cannot be read.
    """
    names = _names(folder)
    found: list[str] = []
    problems: list[str] = []
    facts = _read_facts(folder, problems)
    files: dict[str, str] = {} if facts is None else facts["files"]
    if files:
        found.append(f"{RUN_FILE}: as it was sealed" if not problems else f"{RUN_FILE}: readable")
    for name in FILES if facts is None else sorted({*FILES, *files}):
        _look_at(folder / name, files.get(name), found, problems)
    if facts is not None:
        _weigh_release(folder, facts, problems)
    return Examined(
        folder=folder,
        facts=_believable(folder, facts, whole=not problems),
        found=tuple(found),
        problems=tuple(problems),
        remarks=tuple(_remarks(folder, facts, sorted(names - {*FILES, *files, RUN_FILE}))),
    )


def read_regular(path: Path, read: Callable[[Path], T], problems: list[str]) -> T | None:
    """Read a file of its own: no link, pipe or device. Where it cannot be read, say why."""
    try:
        if stat.S_ISREG(path.lstat().st_mode):
            return read(path)
        problems.append(f"{path.name}: it is no regular file, and was not opened")
    except FileNotFoundError:
        problems.append(f"{path.name}: it is missing")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        problems.append(f"{path.name}: it cannot be read: {reason}")
    return None


def _names(folder: Path) -> set[str]:
    try:
        names = {path.name for path in folder.iterdir()}
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no folder name"
        raise RecordError(
            f"the record cannot be read: {reason}",
            where=str(folder),
            remedy="name the folder of a run",
        ) from error
    if not names & {*FILES, RUN_FILE}:
        raise RecordError("this folder holds no record", where=str(folder), remedy="name another")
    return names


def _read_facts(folder: Path, problems: list[str]) -> dict[str, Any] | None:
    """Return what ``run.json`` says if it can be made out at all; ``files`` is always a table."""
    content = read_regular(folder / RUN_FILE, _small, problems)
    if content is None:
        return None
    if not seal_holds(content):
        problems.append(f"{RUN_FILE}: it has changed since it was sealed")
    try:
        facts = json.loads(content)
    except (ValueError, RecursionError):
        problems.append(f"{RUN_FILE}: it is no JSON")
        return None
    if not isinstance(facts, dict):
        problems.append(f"{RUN_FILE}: it is no table of facts")
        return None
    wrong = [key for key in NEEDED if key not in facts or not _is_right(key, facts[key])]
    if wrong:
        problems.append(f"{RUN_FILE}: missing or of the wrong kind: {', '.join(wrong)}")
        return None
    facts["files"] = _listed(facts.get("files"), problems)
    return facts


def _small(path: Path) -> bytes:
    if path.stat().st_size > _MOST_BYTES:
        raise ValueError("it is far larger than any the harness writes")
    return path.read_bytes()


def _listed(files: object, problems: list[str]) -> dict[str, str]:
    """Return the hashes that ``run.json`` lists, by plain file name."""
    if not isinstance(files, dict):
        problems.append(f"{RUN_FILE}: it lists no files")
        return {}
    odd = [name for name in files if name in {"", ".", ".."} or set(name) & set('/\\:"')]
    if odd:
        problems.append(f"{RUN_FILE}: it lists names that are no file of a record")
    problems.extend(f"{RUN_FILE}: it does not list {name}" for name in FILES if name not in files)
    return {name: str(files[name]) for name in files if name not in odd}


def _look_at(path: Path, listed: str | None, found: list[str], problems: list[str]) -> None:
    told = read_regular(path, _size_and_hash, problems)
    if told is None:
        return
    size = f"{told[0]:,} bytes".replace(",", " ")
    if listed is None:
        found.append(f"{path.name}: {size}, nothing to compare them with")
    elif told[1] == listed:
        found.append(f"{path.name}: {size}, as they were recorded")
    else:
        problems.append(f"{path.name}: it differs from what was recorded")


def _size_and_hash(path: Path) -> tuple[int, str]:
    with path.open("rb") as file:
        return path.stat().st_size, hashlib.file_digest(file, "sha256").hexdigest()


def _weigh_release(folder: Path, facts: Mapping[str, Any], problems: list[str]) -> None:
    """Work the release out anew from the checks."""
    if problems:
        return  # not believed anyway
    content = read_regular(folder / "checks.csv", _small, problems) or b""
    text, damaged = sound_text(content, CHECKS)
    problems.extend(f"checks.csv: {problem}" for problem in damaged)
    # The verdict is the last column but one, and the number after it holds no comma.
    verdicts = [line.rsplit(",", 2)[1] for line in text.split("\n")[1:-1]]
    if facts["released"] != is_release(facts["outcome"], facts["verdict"], verdicts):
        problems.append(f"{RUN_FILE}: the release contradicts outcome, verdict or checks")


def _believable(folder: Path, facts: dict[str, Any] | None, *, whole: bool) -> dict[str, Any]:
    """Return facts with every needed key, and no pass that is not proved."""
    if facts is None:
        reason = f"there is no valid {RUN_FILE}: the run was cut short or its record damaged"
        return unfinished_facts(folder.name, "", reason)
    if not whole:
        facts["released"] = False
        if facts["verdict"] == "pass":
            facts["verdict"] = "undecided"
    return facts


def _remarks(folder: Path, facts: dict[str, Any] | None, strangers: list[str]) -> list[str]:
    remarks = [f"{name}: no part of the record" for name in strangers]
    if facts is not None and facts["run_id"] != folder.name:
        remarks.append(f"the folder was renamed; the run is {facts['run_id']!r}")
    return remarks


def _is_right(key: str, value: object) -> bool:
    """Whether a needed fact is of the kind it should be."""
    if key == "outcome":
        return value in OUTCOMES
    if key == "verdict":
        return value in tuple(Verdict)
    kind = _KINDS.get(key, object)
    return isinstance(value, kind) and not (key == "duration_s" and isinstance(value, bool))


_KINDS: Mapping[str, type | UnionType] = {
    **dict.fromkeys(("run_id", "serial", "title", "reason"), str),
    **dict.fromkeys(("rehearsal", "released"), bool),
    **dict.fromkeys(TABLES, dict),
    **dict.fromkeys(LISTS, list),
    "duration_s": int | float,
}
