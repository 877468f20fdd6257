"""The report of a run: one HTML page that needs nothing else, for the screen and for paper.

It is made at the end of a run, and again from its record at any time.
"""

from __future__ import annotations

import datetime as dt
import heapq
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from markupsafe import Markup

from harness.judge.uncertainty import Contribution
from harness.record.csv_text import BUDGETS, CHECKS
from harness.record.explanation import Explanation, kept_explanation
from harness.record.sink import CheckRow
from harness.record.tables import Record
from harness.report.decimated_trend import DecimatedTrend
from harness.report.explained import FIRST, explained, worth_telling
from harness.report.figures import rows_of_all
from harness.report.fit_plot import fit_plots
from harness.report.plot import draw
from harness.report.template import template
from harness.report.wording import (
    YES_NO,
    headline,
    limit_sources,
    safety_text,
    verdict_mark,
    verdict_words,
)

#: Budgets beyond these would fill the paper; ``budgets.csv`` has all of them.
_BUDGETS = 60


class RunReport(DecimatedTrend):
    """Follows a run and makes its report; fulfils :class:`harness.record.sink.Renderer`."""

    def render(
        self, facts: Mapping[str, Any], checks: Iterable[CheckRow], files: Mapping[str, str]
    ) -> bytes:
        """Return the report; see :func:`report_html`."""
        return report_html(facts, checks, self, files)


def report_from_record(record: Record, *, next_due: dt.date | None = None) -> bytes:
    """Return the report of a record, as this version of the harness writes it.

    A record that is not whole says so on its head, and is never called a release. ``next_due`` is
    that of :func:`report_html`.
    """
    hashes = record.run.get("files", {})
    kept = None if record.folder is None else kept_explanation(record.folder)
    return report_html(
        record.run,
        check_rows(record),
        _trend(record),
        {name: sha256 for name, sha256 in hashes.items() if name != "report.html"},
        next_due=next_due,
        problems=record.problems,
        explanation=kept,
        afterwards=True,
    )


def report_html(
    facts: Mapping[str, Any],
    checks: Iterable[CheckRow],
    trend: DecimatedTrend,
    files: Mapping[str, str],
    *,
    next_due: dt.date | None = None,
    problems: Iterable[str] = (),
    explanation: Explanation | None = None,
    afterwards: bool = False,
) -> bytes:
    """Return the report as UTF-8 HTML; all text from outside is escaped.

    ``facts`` is what ``run.json`` will say, ``files`` has the SHA-256 (hex) of the other files of
    the record. Without the date of the unit's next test there is a line to fill it in. ``problems``
    are those of the record the report is made from, ``afterwards`` where it is no part of that, and
    ``explanation`` what is kept beside it of what most likely explains the run.
    """
    rows, problems = list(checks), list(problems)
    if explanation is not None and not worth_telling(explanation):
        explanation = None
    budgets = [row for row in rows if row.budget]
    word, beneath = headline(facts, whole=not problems)
    if facts["outcome"] != "completed":
        beneath = f"{beneath}; {verdict_words(facts)}"
    envelope = facts.get("envelope")
    drawing = draw(trend, envelope if isinstance(envelope, Mapping) else {})
    page = template("page.html.j2").render(
        facts=facts,
        word=word,
        beneath=beneath,
        mark=verdict_mark(facts),
        checks=rows,
        budgets=[(row, sum(part.share**2 for part in row.budget)) for row in budgets[:_BUDGETS]],
        budgets_left_out=len(budgets[_BUDGETS:]),
        plot=Markup(drawing),  # noqa: S704 - the drawing escapes its own text
        told=list(rows_of_all((told.figures for told in trend.told), trend.known)),
        fits=fit_plots(trend),
        explanation=explanation and explained(explanation),
        first=FIRST,
        remark=explanation is not None and explanation.passed,
        events=trend.events,
        rules={row.rule for row in rows},
        safety=safety_text(facts),
        sources_kept="limit_sources" in facts,
        sources=_sources(rows) if "limit_sources" in facts else [],
        files=files,
        next_due=next_due.isoformat() if next_due else None,
        problems=problems,
        afterwards=afterwards,
    )
    return page.encode(errors="backslashreplace")


def _sources(rows: Iterable[CheckRow]) -> list[str]:
    """Return the sources of all limits, each once, in the order of the checks."""
    asked = (row.source or "not stated" for row in rows if row.quantity != YES_NO)
    return list(dict.fromkeys(asked))


def check_rows(record: Record) -> list[CheckRow]:
    """Return the checks of a record, each with its budget."""
    budgets: dict[tuple[str, str], list[Contribution]] = defaultdict(list)
    names = ("name", "distribution", "standard", "unit", "dof", "sensitivity")
    parts = record.budgets[list(BUDGETS[1:-1])].itertuples(index=False, name=None)
    for step, check, *figures in parts:
        budgets[step, check].append(Contribution(**dict(zip(names, figures, strict=True))))
    columns = CHECKS[2:]  # from the step on, each is an attribute of a check
    sources = limit_sources(record.run)
    rows = []
    for values in record.checks[list(columns)].itertuples(index=False, name=None):
        row = dict(zip(columns, values, strict=True))
        for limit in ("low", "high"):
            row[limit] = None if math.isnan(row[limit]) else row[limit]
        where = (row["step"], row["check"])
        source = sources.get(where, "")
        rows.append(CheckRow(**row, budget=tuple(budgets[where]), source=source))
    return rows


def _trend(record: Record) -> DecimatedTrend:
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
