"""The runs in a results folder: which there are, which is meant, and whether one is whole."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.errors import RecordError, UsageError
from harness.record.csv_text import printable
from harness.record.examine import Examined, examine

#: Names of runs begin with their time, so that their order is the order of time.
_NAME = re.compile(r"\d{8}T\d{6}Z-.+-[0-9a-f]{4}")


def folders(results: Path) -> list[Path]:
    """Return the folders of runs in a results folder, newest first; strangers are passed over.

    Raises:
        UsageError: There is no such results folder.
    """
    try:
        named = [path for path in results.iterdir() if _NAME.fullmatch(path.name)]
        return sorted(filter(Path.is_dir, named), key=_age, reverse=True)
    except (OSError, ValueError) as error:
        raise UsageError(
            "there is no such results folder",
            where=printable(str(results)),
            remedy="name the folder with --results",
        ) from error


def _age(folder: Path) -> tuple[str, int]:
    """Order by the time in the name; within one second, by when the folder was last written to."""
    return folder.name.partition("-")[0], folder.stat().st_mtime_ns


def looked_over(runs: Sequence[Path]) -> Iterator[Examined]:
    """Look runs over one by one, every byte; folders that hold no record are passed over."""
    for folder in runs:
        try:
            yield examine(folder)
        except RecordError:
            continue


def find(results: Path, run: str) -> Path:
    """Return the folder of the run that is meant.

    Args:
        results: The results folder.
        run: ``last``, the path of a run's folder, a run's name, or a beginning of it that only one
            run has.

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
