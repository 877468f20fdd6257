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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """A run's record, read back.

    Attributes:
        readings: One row a reading: ``time_s`` (s), ``step``, ``level``, ``quantity``, ``value``
            (in ``unit``), ``unit``, ``source``. Numbers are float64, all else is str.
        events: One row an event: ``time_s``, ``kind``, ``step``, ``detail``.
        checks: One row a check: ``run_id``, ``serial``, ``step``, ``check``, ``quantity``,
            ``value``, ``unit``, ``low``, ``high``, ``uncertainty``, ``rule``, ``verdict``,
            ``margin``; not-a-number where there is no limit.
        budgets: One row a contribution to a check's uncertainty: ``run_id``, ``step``, ``check``,
            ``contribution``, ``distribution`` (``rectangular``, ``t``, ``normal``), ``standard``
            (in ``unit``), ``unit``, ``dof`` (infinite for a stated bound), ``sensitivity``,
            ``share`` (what it adds, in the check's unit). Empty for a record from before there
            were budgets.
        run: What ``run.json`` says. Where the record is not whole, ``released`` is False and
            ``verdict`` is never ``pass``; without ``run.json``, ``outcome`` is ``interrupted``.
        folder: Where it was read from, or None for a run kept in memory.
        whole: Whether everything is there and no byte has changed.
        problems: What is missing, damaged or contradictory, each in a sentence.
    """

    readings: pd.DataFrame
    events: pd.DataFrame
    checks: pd.DataFrame
    budgets: pd.DataFrame
    run: dict[str, Any]
    folder: Path | None
    whole: bool
    problems: tuple[str, ...]


def load(folder: Path | str) -> Record:
    """Read a run's folder back as pandas frames.

    A record that is not whole (cut short, damaged, contradictory) is read as far as it goes; it
    says so in ``whole`` and ``problems``, and never reads as a release.

    Args:
        folder: The folder of one run.

    Raises:
        RecordError: The folder holds no record, cannot be read, or is too large for memory.
    """
    path = Path(folder)
    for name in ("readings", "events", "checks", "budgets"):
        _require_memory(path / f"{name}.csv")  # before every byte of it is looked at
    seen = examine(path)
    problems = list(seen.problems)
    tables = {
        name: _table(path / f"{name}.csv", columns, problems)
        for name, columns in (("readings", READINGS), ("events", EVENTS), ("checks", CHECKS))
    }
    # A record from before there were budgets does not list them, and is whole without.
    listed = "budgets.csv" in seen.facts.get("files", {})
    tables["budgets"] = (
        _table(path / "budgets.csv", BUDGETS, problems) if listed else frame(BUDGETS, [])
    )
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
    """Read a table of a record; what is damaged is left out and named.

    Args:
        content: The file's bytes.
        columns: The columns it should have.

    Returns:
        The frame, and what is wrong with the file, each in words that follow its name.
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
