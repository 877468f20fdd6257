"""The report of a run: one HTML page that needs nothing else, for the screen and for paper."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Mapping
from functools import cache
from html import escape
from importlib import resources
from typing import TYPE_CHECKING, Any

from harness.quantity import format_quantity
from harness.record.csv_text import printable
from harness.record.sink import CheckRow
from harness.report.about import about, instruments, subtable
from harness.report.conformity import Conformity, conformity, share_text
from harness.report.decimated_trend import DecimatedTrend
from harness.report.limit_gauge import draw_limit_gauge
from harness.report.plot import Panel, draw
from harness.report.story import told_story
from harness.report.wording import (
    YES_NO,
    found_text,
    headline,
    rules_in_words,
    time_text,
    verdict_words,
    wanted_text,
)

if TYPE_CHECKING:
    import jinja2

__all__ = ["no_report_html", "report_html"]

#: Title, unit and envelope bound of each trace, by source and quantity.
_PANELS = {
    ("supply", "voltage"): ("Supply voltage", "V", "voltage_v"),
    ("supply", "current"): ("Supply current", "A", "current_a"),
    ("meter", "voltage_dc"): ("Meter, DC voltage", "V", ""),
}

#: Budgets beyond these would fill the paper; ``budgets.csv`` has all of them.
_BUDGETS = 60


def report_html(
    facts: Mapping[str, Any],
    checks: Iterable[CheckRow],
    outline: DecimatedTrend,
    files: Mapping[str, str],
    *,
    next_due: dt.date | None = None,
    problems: Iterable[str] = (),
    anew: bool = False,
) -> bytes:
    """Return the report as UTF-8 HTML; all text from outside is escaped.

    Args:
        facts: What ``run.json`` will say.
        checks: Every judged check.
        outline: What happened, thinned.
        files: SHA-256 (hex) of the other files of the record, by name.
        next_due: When the unit is due for its next test, or None for a line to fill in.
        problems: What is wrong with the record the report is made from.
        anew: Whether this is no part of the record, but made from it later.
    """
    rows = list(checks)
    word, beneath = headline(facts)
    if facts["outcome"] != "completed":
        beneath = f"{beneath}; {verdict_words(facts)}"
    page = _template().render(
        facts=facts,
        word=word,
        beneath=beneath,
        mark=_mark(facts),
        about=about(facts),
        story=told_story(facts),
        checks=[_check(row) for row in rows],
        budgets=[_budget(row) for row in rows if row.budget][:_BUDGETS],
        budgets_left_out=max(sum(bool(row.budget) for row in rows) - _BUDGETS, 0),
        plot=_plot(facts, outline),
        instruments=instruments(facts),
        events=outline.events,
        rules=rules_in_words(row.rule for row in rows),
        files=files,
        profile_sha256=subtable(facts, "profile").get("sha256") or "not given",
        workshop=subtable(facts, "bench").get("name") or "not given",
        versions=subtable(facts, "versions"),
        next_due=next_due.isoformat() if next_due else None,
        problems=list(problems),
        anew=anew,
        time_text=time_text,
    )
    return page.encode(errors="backslashreplace")


def no_report_html(run_id: str, problem: str) -> bytes:
    """Return the page that stands in a record whose report could not be made.

    It says nothing of the unit, and needs neither template nor drawing.

    Args:
        run_id: Name of the record.
        problem: What went wrong.
    """
    name, told = (escape(printable(text)) for text in (run_id, problem))
    page = (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>No report</title>'
        f"</head><body><h1>This run has no report</h1><p>Run {name}. Its report could not be made: "
        f"{told}.</p><p>The record beside this page is complete, and says how the run ended. Write "
        f"the report from it: <code>softwake results report {name}</code></p></body></html>\n"
    )
    return page.encode(errors="backslashreplace")


@cache
def _template() -> jinja2.Template:
    import jinja2
    from markupsafe import Markup

    def shown(value: object) -> object:
        """Nothing that does not print hides in the page, or turns its text around."""
        if isinstance(value, str) and not isinstance(value, Markup):
            return printable(value)
        return value

    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["css"] = _css
    text = resources.files(__package__).joinpath("page.html.j2").read_text(encoding="utf-8")
    return environment.from_string(text)


def _css(text: object) -> Any:
    """Return text for a string in a style sheet, whatever is in it."""
    from markupsafe import Markup

    shown = printable(str(text))
    # Every other character by its number, which no style sheet can take for the string's end.
    safe = re.sub(r"[^\w .,:/-]", lambda odd: f"\\{ord(odd[0]):x} ", shown)
    return Markup(safe)  # noqa: S704 - nothing is left in it that could end the string


def _mark(facts: Mapping[str, Any]) -> str:
    """Return the style of the headline."""
    if facts["released"]:
        return "pass"
    undecided = facts["outcome"] == "completed" and facts["verdict"] == "undecided"
    return "undecided" if undecided else "fail"


def _check(row: CheckRow) -> dict[str, Any]:
    """Return one row of the checks, as text and drawing."""
    from markupsafe import Markup

    yes_no = row.quantity == YES_NO
    behind = conformity(row)
    return {
        "row": row,
        "value": found_text(row.quantity, row.value, row.uncertainty, row.unit),
        "limits": wanted_text(row.quantity, row.low, row.high, row.unit),
        "margin": ""
        if yes_no or math.isnan(row.margin)
        else format_quantity(row.margin, row.unit, 3),
        "ruler": "" if yes_no else Markup(draw_limit_gauge(row)),  # noqa: S704 - it escapes its text
        "within": "" if behind is None or yes_no else share_text(behind.probability),
    }


def _budget(row: CheckRow) -> dict[str, Any]:
    """Return one check's budget as text."""
    behind = conformity(row)
    total = sum(part.share**2 for part in row.budget)
    parts = [
        (
            part.name,
            {"t": "Student's t"}.get(part.distribution, part.distribution),
            format_quantity(part.standard, part.unit or "1", 2),
            _dof(part.dof),
            f"{part.sensitivity:.3g}",
            format_quantity(part.share, row.unit, 2),
            _of_variance(part.share**2, total),
        )
        for part in row.budget
    ]
    return {"row": row, "parts": parts, "sum": "" if behind is None else _summed(row, behind)}


def _summed(row: CheckRow, behind: Conformity) -> str:
    text = (
        f"u = {format_quantity(behind.standard, row.unit, 2)}, dof {_dof(behind.dof)}, "
        f"k = {behind.coverage:.2f}, U = {format_quantity(row.uncertainty, row.unit, 2)}; "
        f"within the limits with P {share_text(behind.probability)}"
    )
    if row.verdict == "pass":
        return f"{text}, risk of false acceptance {share_text(behind.false_accept)}"
    if row.verdict == "fail":
        return f"{text}, risk of false rejection {share_text(behind.false_reject)}"
    return text


def _dof(dof: float) -> str:
    if math.isinf(dof):
        return "∞"
    return "> 1000" if dof > 1000 else f"{dof:.3g}"


def _of_variance(part: float, total: float) -> str:
    if not 0 < total < math.inf:
        return "-"
    percent = 100 * part / total
    return f"{percent:.0f} %" if percent >= 0.5 else "< 0.5 %" if percent > 0 else "0"


def _plot(facts: Mapping[str, Any], outline: DecimatedTrend) -> Any:
    from markupsafe import Markup

    envelope = subtable(facts, "envelope")
    panels = [
        Panel(
            title=_PANELS[key][0],
            unit=_PANELS[key][1],
            trace=trace,
            limit=envelope.get(_PANELS[key][2]),
            style=f"trace-{key[0]}-{key[1]}",
        )
        for key, trace in outline.traces.items()
    ]
    if not panels:
        return None
    trip = outline.trip
    drawing = draw(panels, outline.bands, None if trip is None else trip.time_s)
    return Markup(drawing)  # noqa: S704 - the drawing escapes its own text
