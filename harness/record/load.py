"""Reads a run's folder back."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import RecordError
from harness.record.csv_text import BUDGETS, CHECKS, EVENTS, READINGS
from harness.record.examine import examine, regular_file
from harness.record.tables import Record, frame, table_frame

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["load"]

#: Largest table that is read into memory: some fifty million readings need more.
_MOST_BYTES = 4 * 1024**3


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
    seen = examine(path)
    problems = list(seen.problems)
    tables = {
        name: _table(path / f"{name}.csv", columns, problems)
        for name, columns in (("readings", READINGS), ("events", EVENTS), ("checks", CHECKS))
    }
    # A record from before there were budgets does not list them, and is whole without.
    listed = "budgets.csv" in (seen.facts.get("files") or {})
    tables["budgets"] = (
        _table(path / "budgets.csv", BUDGETS, problems) if listed else frame(BUDGETS, [])
    )
    return Record(**tables, run=seen.facts, folder=path, whole=seen.whole, problems=tuple(problems))


def _table(path: Path, columns: Sequence[str], problems: list[str]) -> pd.DataFrame:
    try:
        if not regular_file(path):
            return frame(columns, [])  # which the examination has named already
        if path.stat().st_size > _MOST_BYTES:
            raise RecordError(
                "the table is too large for memory",
                where=str(path),
                remedy="read it in parts, with pandas.read_csv(..., chunksize=1_000_000)",
            )
        content = path.read_bytes()
    except OSError:
        return frame(columns, [])
    table, damaged = table_frame(content, columns)
    problems.extend(f"{path.name}: {problem}" for problem in damaged)
    return table
