"""A record read back: its tables as pandas frames, with fixed columns and types even when empty."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from harness.errors import RecordError
from harness.record.csv_text import (
    BUDGETS,
    CHECKS,
    EVENTS,
    NUMBERS,
    READINGS,
    sound_text,
    word_back,
)
from harness.record.examine import examine, read_regular

if TYPE_CHECKING:
    import pandas as pd

#: Largest table that is read into memory: some ten million readings need more.
_MOST_BYTES = 1024**3

_COLUMNS = {"readings": READINGS, "events": EVENTS, "checks": CHECKS, "budgets": BUDGETS}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """A run's record, read back.

    The frames have the columns of :mod:`harness.record.csv_text`, numbers float64, all else str.
    """

    readings: pd.DataFrame  # one row a reading: ``value`` in ``unit``, ``time_s`` since the start
    events: pd.DataFrame  # one row an event
    checks: pd.DataFrame  # one row a check; not-a-number where there is no limit
    #: One row a contribution to a check's uncertainty: ``standard`` in ``unit``, ``dof`` infinite
    #: for a stated bound, ``share`` what it adds, in the check's unit. Empty for a record from
    #: before there were budgets.
    budgets: pd.DataFrame
    #: What ``run.json`` says. Where the record is not whole, ``released`` is False and ``verdict``
    #: is never ``pass``; without ``run.json``, ``outcome`` is ``interrupted``.
    run: dict[str, Any]
    folder: Path | None  # None for a run kept in memory
    whole: bool  # everything is there and no byte has changed
    problems: tuple[str, ...]  # what is missing, damaged or contradictory, each in a sentence


def load(folder: Path | str) -> Record:
    """Read the folder of one run back as pandas frames.

    A record that is not whole (cut short, damaged, contradictory) is read as far as it goes; it
    says so in ``whole`` and ``problems``, and never reads as a release.

    Raises:
        RecordError: The folder holds no record, cannot be read, or is too large for memory.
    """
    path = Path(folder)
    for name in _COLUMNS:
        _require_memory(path / f"{name}.csv")  # before every byte of it is looked at
    seen = examine(path)
    problems = list(seen.problems)
    # A record from before there were budgets does not list them, and is whole without.
    listed = "budgets.csv" in seen.facts.get("files", {})
    tables = {
        name: _table(path / f"{name}.csv", columns, problems)
        for name, columns in _COLUMNS.items()
        if listed or name != "budgets"
    }
    tables.setdefault("budgets", frame(BUDGETS, []))
    return Record(**tables, run=seen.facts, folder=path, whole=seen.whole, problems=tuple(problems))


def _table(path: Path, columns: Sequence[str], problems: list[str]) -> pd.DataFrame:
    # What is wrong with the file, the examination has said.
    content = read_regular(path, Path.read_bytes, [])
    if content is None:
        return frame(columns, [])
    table, damaged = table_frame(content, columns)
    problems.extend(f"{path.name}: {problem}" for problem in damaged)
    return table


def _require_memory(path: Path) -> None:
    if path.is_file() and path.stat().st_size > _MOST_BYTES:
        raise RecordError(
            "the table is too large for memory",
            where=str(path),
            remedy="read it in parts, with pandas.read_csv(..., chunksize=1_000_000)",
        )


def frame(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> pd.DataFrame:
    """Return rows as a frame with the table's types; None among numbers is not-a-number."""
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(columns)).astype(_types(columns))


def table_frame(content: bytes, columns: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """Read a table from a file's bytes; what is damaged is left out and named, as a list.

    Each problem is worded to follow the file's name.
    """
    import pandas as pd

    text, problems = sound_text(content, columns)
    table = pd.read_csv(
        io.StringIO(text),
        dtype=_types(columns),
        keep_default_na=False,
        na_values={name: ["", "nan"] for name in columns if name in NUMBERS},
        lineterminator="\n",
    )
    if "\\" in text or "'" in text:
        for name in set(columns) - NUMBERS:
            texts = {each: word_back(each) for each in table[name].unique()}
            table[name] = table[name].map(texts).astype("str")
    return table, problems


def _types(columns: Iterable[str]) -> dict[str, Literal["float64", "str"]]:
    return {name: "float64" if name in NUMBERS else "str" for name in columns}
