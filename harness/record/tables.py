"""The tables of a record as pandas frames: fixed columns, fixed types, even when empty."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from harness.record.csv_text import header, word_back

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NUMBERS", "Record", "frame", "strict_rows", "table_frame"]

#: Columns that hold numbers (float64); all others hold text (str).
NUMBERS = frozenset(
    {
        *("time_s", "value", "low", "high", "uncertainty", "margin"),
        *("standard", "dof", "sensitivity", "share"),
    }
)


#: What stands beside a quotation mark that is in place.
_EDGES = tuple(b',\n"')
#: Bytes looked at in one go.
_BLOCK = 1 << 24


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


def frame(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> pd.DataFrame:
    """Return rows as a frame with the table's types; None among numbers is not-a-number."""
    import pandas as pd

    table = pd.DataFrame(list(map(tuple, rows)), columns=list(columns))
    return table.astype({name: _dtype(name) for name in columns})


def table_frame(content: bytes, columns: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """Read a table of a record; what is damaged is left out and named.

    Args:
        content: The file's bytes.
        columns: The columns it should have.

    Returns:
        The frame, and what is wrong with the file, each in words that follow its name.
    """
    whole, problems = _whole_lines(content, columns)
    if not whole:
        return frame(columns, []), problems
    quick = _quick_frame(whole, columns)
    if quick is not None:
        return quick, problems
    rows, damaged = strict_rows(whole, columns)
    return frame(columns, rows), [*problems, *damaged]


def strict_rows(content: bytes, columns: Sequence[str]) -> tuple[list[list[Any]], list[str]]:
    """Read a table line by line, and keep the lines that are right in every field.

    Args:
        content: The file's bytes.
        columns: The columns it should have.

    Returns:
        Rows of floats and text, and what is wrong with the file.
    """
    whole, problems = _whole_lines(content, columns)
    rows: list[list[Any]] = []
    damaged: list[int] = []
    for number, line in enumerate(whole.split(b"\n")[1:-1], start=2):
        row = _strict_row(line, columns)
        if row is None:
            damaged.append(number)
        else:
            rows.append(row)
    if damaged:
        count = "1 line is" if len(damaged) == 1 else f"{len(damaged)} lines are"
        problems.append(f"{count} damaged and left out, the first is line {damaged[0]}")
    return rows, problems


def _whole_lines(content: bytes, columns: Sequence[str]) -> tuple[bytes, list[str]]:
    """Return the file without a half-written last line; nothing where it is no such table."""
    first = header(columns).encode()
    if not content.startswith(first):
        half = first.startswith(content)
        return b"", ["it breaks off in its first line" if half else "it is no such table"]
    end = content.rfind(b"\n") + 1
    if end == len(content):
        return content, []
    return content[:end], ["its last line is half written and left out"]


def _strict_row(line: bytes, columns: Sequence[str]) -> list[Any] | None:
    try:
        fields = next(csv.reader([line.decode()], strict=True))
        return [
            (float(field) if field else None) if name in NUMBERS else word_back(field)
            for name, field in zip(columns, fields, strict=True)
        ]
    except (ValueError, csv.Error, StopIteration):
        return None


def _quick_frame(content: bytes, columns: Sequence[str]) -> pd.DataFrame | None:
    """Read a table as fast as pandas can; None where anything about it is odd."""
    import pandas as pd

    if b"\r" in content or not _is_even(content, len(columns) - 1):
        return None  # pandas would take a bare return, and fill what is missing
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # pandas drops a field too many with a mere warning
            table = _parsed(content, columns, "category")
            # Where every text of a column looks like a number, pandas makes numbers of them:
            # serial number 0007 would come back as 7.
            odd = [name for name in columns if name not in NUMBERS and _not_text(table[name])]
            if odd:
                table[odd] = _parsed(content, columns, "str")[odd].astype("category")
    except (ValueError, Warning):  # pandas' parser errors are of the first kind
        return None
    if len(table) != content.count(b"\n") - 1:
        return None
    # Each text stands once among the categories: undone once, however many rows there are.
    series = {name: table[name] if name in NUMBERS else _texts(table[name]) for name in columns}
    return pd.DataFrame(series)


def _parsed(
    content: bytes, columns: Sequence[str], texts: Literal["category", "str"]
) -> pd.DataFrame:
    import pandas as pd

    numbers = [name for name in columns if name in NUMBERS]
    return pd.read_csv(
        io.BytesIO(content),
        index_col=False,
        dtype={**dict.fromkeys(columns, texts), **dict.fromkeys(numbers, "float64")},
        keep_default_na=False,
        na_values={name: ["", "nan"] for name in numbers},
        lineterminator="\n",
        skip_blank_lines=False,
        engine="c",
        low_memory=False,
    )


def _not_text(column: pd.Series[Any]) -> bool:
    return not all(isinstance(text, str) for text in column.cat.categories)


def _is_even(content: bytes, commas: int) -> bool:
    """Whether every line has this many commas outside quotation marks, and all marks are in place.

    A mark in place opens a field, closes one, or is one of a doubled pair.
    """
    import numpy as np

    start = 0
    while start < len(content):
        end = content.find(b"\n", start + _BLOCK) + 1 or len(content)
        block = np.frombuffer(content, np.uint8, end - start, start)
        quoted = (
            np.cumsum(block == ord('"'), dtype=np.uint8) & 1
        )  # counts past 255 keep their parity
        ends = np.flatnonzero(block == ord("\n"))
        places = np.flatnonzero((block == ord(",")) & (quoted == 0))
        counts = np.diff(np.searchsorted(places, ends), prepend=0)
        marks = np.flatnonzero(block == ord('"'))
        # The block ends in a line end, so that the mark of its first field has one before it, too.
        beside = block[np.where(quoted[marks] == 1, marks - 1, marks + 1)]
        if quoted[ends].any() or (counts != commas).any() or not np.isin(beside, _EDGES).all():
            return False
        start = end
    return True


def _texts(column: pd.Series[Any]) -> pd.Series[Any]:
    import numpy as np
    import pandas as pd

    known = np.array([word_back(str(text)) for text in column.cat.categories], dtype=object)
    return pd.Series(known[column.cat.codes.to_numpy()], dtype="str")


def _dtype(name: str) -> str:
    return "float64" if name in NUMBERS else "str"
