"""The report anew, from a record that was read back."""

from __future__ import annotations

import datetime as dt
import heapq
import math
from collections import defaultdict
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from harness.judge.uncertainty import Contribution
from harness.record.sink import CheckRow
from harness.record.tables import Record
from harness.report.decimated_trend import DecimatedTrend
from harness.report.page import report_html

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["check_rows", "report_from_record"]


def report_from_record(record: Record, *, next_due: dt.date | None = None) -> bytes:
    """Return the report of a record as UTF-8 HTML, as this version of the harness writes it.

    A record that is not whole says so on its head, and is never called a release.

    Args:
        record: The record.
        next_due: When the unit is due for its next test, or None for a line to fill in.
    """
    listed = record.run.get("files")
    files = {
        str(name): str(sha256)
        for name, sha256 in (listed.items() if isinstance(listed, dict) else ())
        if name != "report.html"
    }
    return report_html(
        record.run,
        check_rows(record),
        _outline(record),
        files,
        next_due=next_due,
        problems=record.problems,
        anew=True,
    )


def check_rows(record: Record) -> list[CheckRow]:
    """Return the checks of a record, each with its budget."""
    budgets: dict[tuple[str, str], list[Contribution]] = defaultdict(list)
    for part in _rows(record.budgets):
        budgets[str(part.step), str(part.check)].append(
            Contribution(
                name=str(part.contribution),
                standard=float(part.standard),
                dof=float(part.dof),
                sensitivity=float(part.sensitivity),
                unit=str(part.unit),
                distribution=str(part.distribution),
            )
        )
    return [
        CheckRow(
            step=str(row.step),
            check=str(row.check),
            quantity=str(row.quantity),
            value=float(row.value),
            unit=str(row.unit),
            low=_limit(row.low),
            high=_limit(row.high),
            uncertainty=float(row.uncertainty),
            rule=str(row.rule),
            verdict=str(row.verdict),
            margin=float(row.margin),
            budget=tuple(budgets[str(row.step), str(row.check)]),
        )
        for row in _rows(record.checks)
    ]


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    """Yield the rows, their columns as attributes; frames have fixed types already."""
    return iter(table.itertuples(index=False))


def _limit(limit: float) -> float | None:
    return None if math.isnan(limit) else float(limit)


def _outline(record: Record) -> DecimatedTrend:
    """Follow the run once more."""
    outline = DecimatedTrend()
    readings, events = _rows(record.readings), _rows(record.events)
    for row in heapq.merge(readings, events, key=lambda row: float(row.time_s)):
        time_s, step = float(row.time_s), str(row.step)
        if hasattr(row, "detail"):
            outline.event(time_s, str(row.kind), step, str(row.detail))
        else:
            values = ((str(row.quantity), float(row.value), str(row.unit)),)
            outline.sample(time_s, step, values, str(row.source))
    return outline
