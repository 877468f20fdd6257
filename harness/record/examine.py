"""The runs in a results folder: which is meant, what has changed, and what may be believed.

The hashes show what changed by accident or by an edit; they are no signature.

Nothing in a folder is trusted: only regular files directly in it are opened, so that no link leads
out of it and no pipe keeps anybody waiting.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar, get_args

from harness.errors import RecordError, UsageError
from harness.judge.verdict import Verdict
from harness.profile.schema import Purpose
from harness.record.csv_text import CHECKS, printable, sound_text
from harness.record.last_words import last_of_battery, last_of_power
from harness.record.run_summary import (
    LISTS,
    NEEDED,
    RELEASE,
    TABLES,
    Outcome,
    is_release,
    run_verdict,
    unfinished_facts,
)
from harness.record.seal import RUN_FILE, seal_holds

T = TypeVar("T")

#: Every file of a whole record beside ``run.json``.
FILES = ("readings.csv", "events.csv", "checks.csv", "report.html")

#: Largest ``run.json`` and ``checks.csv`` that are read; real ones are a thousandth of it.
_MOST_BYTES = 64 * 1024 * 1024

#: Names of runs begin with their time, so that their order is the order of time.
_NAME = re.compile(r"\d{8}T\d{6}Z-.+-[0-9a-f]{4}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What a look at a record's folder found."""

    folder: Path
    #: What ``run.json`` says, every needed key there. Where the record is not whole, ``released``
    #: is False and ``verdict`` is never ``pass``.
    facts: dict[str, Any]
    problems: tuple[str, ...]  # what is missing, damaged or contradictory, each in a sentence
    findings: tuple[str, ...]  # the problems, then what is as it should be, then what is odd
    #: The run that the record is of, where the folder has another name; else empty.
    renamed_from: str = ""

    @property
    def whole(self) -> bool:
        """Whether everything is there and no byte has changed."""
        return not self.problems


def examine(folder: Path) -> Examined:
    """Look a record's folder over, reading every byte of it.

    The folder must have the name of its run, which has the serial number in it: under another
    name the record would read as another unit's. Where the folder stands makes no difference.

    Raises:
        RecordError: The folder is none, holds no record at all, or cannot be read.
    """
    names = _names(folder)
    found: list[str] = []
    problems: list[str] = []
    facts = _read_facts(folder, problems)
    files: dict[str, str] = {} if facts is None else facts["files"]
    if files:
        found.append(f"{RUN_FILE}: readable" if problems else f"{RUN_FILE}: as it was sealed")
    for name in FILES if facts is None else sorted({*FILES, *files}):
        _look_at(folder / name, files.get(name), found, problems)
    found += [
        f"{name}: no part of the record" for name in sorted(names - {*FILES, *files, RUN_FILE})
    ]
    name, renamed_from = _reached_as(folder), ""
    if facts is None:
        reason = f"there is no valid {RUN_FILE}: the run was cut short or its record damaged"
        events = read_regular(folder / "events.csv", _small, [])
        for said in filter(None, (last_of_power(events or b""), last_of_battery(events or b""))):
            reason = f"{reason}; {said}"
        facts = unfinished_facts(name, "", reason)
    elif os.path.normcase(facts["run_id"]) != os.path.normcase(name):
        renamed_from = facts["run_id"]
        problems.append(
            f"the folder was renamed: it is called {name!r}, and holds the run {renamed_from!r} "
            f"of serial number {facts['serial'] or 'not given'}"
        )
    if not problems:
        _weigh_release(folder, facts, problems)
    if problems:  # nothing passes that is not proved
        facts["released"] = False
        if facts["verdict"] == Verdict.PASS:
            facts["verdict"] = Verdict.UNDECIDED.value
    return Examined(
        folder=folder,
        facts=facts,
        problems=tuple(problems),
        findings=(*problems, *found),
        renamed_from=renamed_from,
    )


def _reached_as(folder: Path) -> str:
    """Return the name a folder is reached by, of a link that of the link, as a list shows it."""
    return Path(os.path.abspath(folder)).name  # noqa: PTH100 - `resolve` would follow the link


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
    if "purpose" not in facts and "open_points" not in facts:
        # from before there were any: decided by its checks alone
        facts |= {"purpose": RELEASE, "open_points": []}
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
    """Work the release out again from the checks."""
    content = read_regular(folder / "checks.csv", _small, problems) or b""
    text, damaged = sound_text(content, CHECKS)
    problems.extend(f"checks.csv: {problem}" for problem in damaged)
    # The verdict is the last column but one, and the number after it holds no comma.
    verdicts = [line.rsplit(",", 2)[1] for line in text.split("\n")[1:-1]]
    ended: dict[str, Any] = {key: facts[key] for key in ("outcome", "purpose", "open_points")}
    if facts["released"] != is_release(verdict=facts["verdict"], verdicts=verdicts, **ended):
        problems.append(
            f"{RUN_FILE}: the release contradicts outcome, verdict, checks, purpose or open points"
        )
    elif facts["verdict"] != run_verdict([Verdict(facts["verdict"])], **ended):
        problems.append(f"{RUN_FILE}: the verdict contradicts outcome or open points")


def _is_right(key: str, value: object) -> bool:
    """Whether a needed fact is of the kind, or one of the values, it should be."""
    kind = _KINDS.get(key, object)
    if isinstance(kind, tuple):
        return value in kind
    return isinstance(value, kind) and not (key == "duration_s" and isinstance(value, bool))


_KINDS: Mapping[str, type | UnionType | tuple[str, ...]] = {
    "outcome": tuple(Outcome),
    "verdict": tuple(Verdict),
    "purpose": get_args(Purpose),
    **dict.fromkeys(("run_id", "serial", "title", "reason"), str),
    **dict.fromkeys(("rehearsal", "released"), bool),
    **dict.fromkeys(TABLES, dict),
    **dict.fromkeys(LISTS, list),
    "duration_s": int | float,
}


def folders(results: Path) -> list[Path]:
    """Return the folders of runs in a results folder, newest first; strangers are passed over.

    Raises:
        UsageError: There is no such results folder.
    """
    try:
        named = [path for path in results.iterdir() if _NAME.fullmatch(path.name)]
        # by the time in the name; within one second, by when the folder was last written to
        return sorted(
            filter(Path.is_dir, named),
            key=lambda path: (path.name.partition("-")[0], path.stat().st_mtime_ns),
            reverse=True,
        )
    except (OSError, ValueError) as error:
        raise UsageError(
            "there is no such results folder",
            where=printable(str(results)),
            remedy="name the folder with --results",
        ) from error


def looked_over(runs: Sequence[Path]) -> Iterator[Examined]:
    """Look runs over one by one, every byte; folders that hold no record are passed over."""
    for folder in runs:
        try:
            yield examine(folder)
        except RecordError:
            continue


def find(results: Path, run: str) -> Path:
    """Return the folder of the run that is meant.

    ``run`` is ``last``, the path of a run's folder, a run's name, or a beginning of it that only
    one run has.

    Raises:
        UsageError: There is no such run, or more than one.
    """
    if run != "last" and (Path(run).name != run or run in {"", ".", ".."}):
        path = Path(run)
        if run and "\0" not in run and path.is_dir():
            return path
        raise UsageError("there is no such folder", where=printable(run), remedy="see results list")
    known = folders(results)
    if run == "last" and known:
        return known[0]
    meant = [path for path in known if path.name == run] or [
        path for path in known if path.name.startswith(run)
    ]
    if len(meant) == 1:
        return meant[0]
    where = printable(str(results))
    if meant:
        names = ", ".join(path.name for path in meant[:3])
        raise UsageError(
            f"{len(meant)} runs begin with {run!r}", where=where, remedy=f"such as {names}"
        )
    raise UsageError(f"there is no run {run!r}", where=where, remedy="'results list' names them")
