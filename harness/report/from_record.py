"""The report anew, from a record that was read back."""

from __future__ import annotations

import datetime as dt
import heapq
import math
from collections import defaultdict

from harness.judge.uncertainty import Contribution
from harness.record.csv_text import BUDGETS, CHECKS
from harness.record.sink import CheckRow
from harness.record.tables import Record
from harness.report.decimated_trend import DecimatedTrend
from harness.report.page import report_html


def report_from_record(record: Record, *, next_due: dt.date | None = None) -> bytes:
    """Return the report of a record as UTF-8 HTML, as this version of the harness writes it.

    A record that is not whole says so on its head, and is never called a release.

    Args:
        record: The record.
        next_due: When the unit is due for its next test, or None for a line to fill in.
    """
    files = {
        name: sha256
        for name, sha256 in record.run.get("files", {}).items()
        if name != "report.html"
    }
    return report_html(
        record.run,
        check_rows(record),
        _trend(record),
        files,
        next_due=next_due,
        problems=record.problems,
        anew=True,
    )


def check_rows(record: Record) -> list[CheckRow]:
    """Return the checks of a record, each with its budget."""
    budgets: dict[tuple[str, str], list[Contribution]] = defaultdict(list)
    for part in record.budgets[list(BUDGETS[1:-1])].itertuples(index=False, name=None):
        step, check, name, distribution, standard, unit, dof, sensitivity = part
        budgets[step, check].append(
            Contribution(
                name=name,
                distribution=distribution,
                standard=standard,
                unit=unit,
                dof=dof,
                sensitivity=sensitivity,
            )
        )
    columns = CHECKS[2:]  # from the step on, each is an attribute of a check
    rows = []
    for values in record.checks[list(columns)].itertuples(index=False, name=None):
        row = dict(zip(columns, values, strict=True))
        for limit in ("low", "high"):
            row[limit] = None if math.isnan(row[limit]) else row[limit]
        rows.append(CheckRow(**row, budget=tuple(budgets[row["step"], row["check"]])))
    return rows


def _trend(record: Record) -> DecimatedTrend:
    """Follow the run once more: readings and events in the order of time."""
    trend = DecimatedTrend()
    readings = record.readings.itertuples(index=False, name=None)
    events = record.events.itertuples(index=False, name=None)
    for time_s, *row in heapq.merge(readings, events, key=lambda row: row[0]):
        if len(row) == 3:
            trend.event(time_s, *row)
        else:
            step, _, quantity, value, unit, source = row
            trend.sample(time_s, step, ((quantity, value, unit),), source)
    return trend
