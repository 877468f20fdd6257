"""The report of a run: one HTML page that needs nothing else, for the screen and for paper."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from harness.quantity import format_quantity
from harness.record.csv_text import printable
from harness.record.sink import CheckRow
from harness.report import about
from harness.report.conformity import conformity, share_text
from harness.report.decimated_trend import DecimatedTrend
from harness.report.limit_gauge import draw_limit_gauge
from harness.report.plot import Panel, draw
from harness.report.wording import YES_NO, found_text, headline, verdict_words, wanted_text

if TYPE_CHECKING:
    import jinja2

#: Title, unit and envelope bound of each trace, by source and quantity.
_PANELS = {
    ("supply", "voltage"): ("Supply voltage", "V", "voltage_v"),
    ("supply", "current"): ("Supply current", "A", "current_a"),
    ("meter", "voltage_dc"): ("Meter, DC voltage", "V", ""),
}

#: Budgets beyond these would fill the paper; ``budgets.csv`` has all of them.
_BUDGETS = 60

#: The style of what the assessment of the unit says.
_STYLE_OF = {
    "within rating": "pass",
    "marginal": "undecided",
    "over-stressed": "fail",
    "destroyed likely": "fail",
    "better": "pass",
    "equivalent": "pass",
    "acceptable with note": "undecided",
    "not acceptable": "fail",
}


class RunReport(DecimatedTrend):
    """Follows a run and makes its report; fulfils :class:`harness.record.sink.Renderer`."""

    def render(
        self, facts: Mapping[str, Any], checks: Iterable[CheckRow], files: Mapping[str, str]
    ) -> bytes:
        """Return the report; see :func:`report_html`."""
        return report_html(facts, checks, self, files)


def report_html(
    facts: Mapping[str, Any],
    checks: Iterable[CheckRow],
    trend: DecimatedTrend,
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
        trend: What happened, thinned.
        files: SHA-256 (hex) of the other files of the record, by name.
        next_due: When the unit is due for its next test, or None for a line to fill in.
        problems: What is wrong with the record the report is made from.
        anew: Whether this is no part of the record, but made from it later.
    """
    rows = list(checks)
    budgets = [row for row in rows if row.budget]
    word, beneath = headline(facts)
    if facts["outcome"] != "completed":
        beneath = f"{beneath}; {verdict_words(facts)}"
    undecided = facts["outcome"] == "completed" and facts["verdict"] == "undecided"
    page = _template().render(
        facts=facts,
        word=word,
        beneath=beneath,
        mark="pass" if facts["released"] else "undecided" if undecided else "fail",
        checks=[_check(row) for row in rows],
        budgets=[
            (row, conformity(row), sum(part.share**2 for part in row.budget))
            for row in budgets[:_BUDGETS]
        ],
        budgets_left_out=len(budgets[_BUDGETS:]),
        plot=_plot(facts, trend),
        events=trend.events,
        rules={row.rule for row in rows},
        style_of=_STYLE_OF,
        files=files,
        next_due=next_due.isoformat() if next_due else None,
        problems=list(problems),
        anew=anew,
    )
    return page.encode(errors="backslashreplace")


@cache
def _template() -> jinja2.Template:
    import jinja2
    from jinja2.utils import missing
    from markupsafe import Markup

    class Gap(jinja2.ChainableUndefined):
        """Nothing, where a record lacks a fact; an error, where the template means no fact."""

        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            if self._undefined_obj is missing:
                self._fail_with_undefined_error()

    def shown(value: object) -> object:
        """Nothing that does not print hides in the page, or turns its text around."""
        if isinstance(value, str) and not isinstance(value, Markup):
            return printable(value)
        return value if isinstance(value, str | int | float) else ""

    environment = jinja2.Environment(
        autoescape=True, undefined=Gap, finalize=shown, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= about.FILTERS
    environment.filters |= {
        "css": _css,
        "dof": _dof,
        "of_variance": _of_variance,
        "quantity": format_quantity,
        "share": share_text,
    }
    text = resources.files(__package__).joinpath("page.html.j2").read_text(encoding="utf-8")
    return environment.from_string(text)


def _css(text: object) -> Any:
    """Return text for a string in a style sheet, whatever is in it."""
    from markupsafe import Markup

    shown = printable(str(text))
    # Every other character by its number, which no style sheet can take for the string's end.
    safe = re.sub(r"[^\w .,:/-]", lambda odd: f"\\{ord(odd[0]):x} ", shown)
    return Markup(safe)  # noqa: S704 - nothing is left in it that could end the string


def _check(row: CheckRow) -> dict[str, Any]:
    """Return one row of the checks, as text and drawing."""
    from markupsafe import Markup

    shown = {
        "row": row,
        "value": found_text(row.quantity, row.value, row.uncertainty, row.unit),
        "limits": wanted_text(row.quantity, row.low, row.high, row.unit),
    }
    if row.quantity == YES_NO:
        return shown | {"margin": "", "ruler": "", "within": ""}
    behind = conformity(row)
    margin = "" if math.isnan(row.margin) else format_quantity(row.margin, row.unit, 3)
    ruler = Markup(draw_limit_gauge(row))  # noqa: S704 - it escapes its text
    within = "" if behind is None else share_text(behind.probability)
    return shown | {"margin": margin, "ruler": ruler, "within": within}


def _dof(dof: float) -> str:
    if math.isinf(dof):
        return "∞"
    return "> 1000" if dof > 1000 else f"{dof:.3g}"


def _of_variance(part: float, total: float) -> str:
    if not 0 < total < math.inf:
        return "-"
    percent = 100 * part / total
    return f"{percent:.0f} %" if percent >= 0.5 else "< 0.5 %" if percent > 0 else "0"


def _plot(facts: Mapping[str, Any], trend: DecimatedTrend) -> Any:
    from markupsafe import Markup

    envelope = facts.get("envelope")
    bounds = envelope if isinstance(envelope, Mapping) else {}
    panels = [
        Panel(
            title=title,
            unit=unit,
            trace=trace,
            limit=bounds.get(bound),
            style=f"trace-{'-'.join(key)}",
        )
        for key, trace in trend.traces.items()
        for title, unit, bound in [_PANELS[key]]
    ]
    if not panels:
        return None
    trip = trend.trip
    drawing = draw(panels, trend.bands, None if trip is None else trip.time_s)
    return Markup(drawing)  # noqa: S704 - the drawing escapes its own text
