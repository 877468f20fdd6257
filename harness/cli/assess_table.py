"""The assessment as a technician reads it at the bench, in eighty columns of plain characters."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from harness.unit.assessment import Adequacy, Severity
from harness.unit.part_fields import shown_figure

if TYPE_CHECKING:
    from rich.console import RenderableType

    from harness.unit.assessment import Assessment, ColdCheck, PartAssessment, Replacement

__all__ = ["assessment_lines"]

_SEVERITY_STYLES = {
    Severity.WITHIN: "",
    Severity.MARGINAL: "yellow",
    Severity.OVER: "bold yellow",
    Severity.DESTROYED: "bold red",
}
_ADEQUACY_STYLES = {
    Adequacy.UNACCEPTABLE: "bold red",
    Adequacy.NOTE: "yellow",
    Adequacy.EQUIVALENT: "green",
    Adequacy.BETTER: "green",
}


def assessment_lines(assessment: Assessment) -> Iterator[RenderableType]:
    """Yield the parts of an assessment, top to bottom, for a rich console to print.

    Args:
        assessment: The assessment.
    """
    yield Text(assessment.title, style="bold")
    maker = "" if assessment.maker is None else f", maker {assessment.maker}"
    yield Text(f"Serial {assessment.serial}{maker}.")
    yield Text(assessment.story)
    yield from _heading("Suspicion, the gravest first")
    yield _suspicion(assessment)
    yield Text(
        "Ratio: stress over rating; margin is what is left to 1. Service: the ratio at the "
        "highest line voltage.",
        style="dim",
    )
    yield from _remarks(assessment)
    yield from _heading("Cold checks, in this order, unplugged and discharged")
    yield _checks(assessment.checks)
    if assessment.replacements:
        yield from _heading("Replacements")
        yield _replacements(assessment.replacements)
        yield from _reasons(assessment.replacements)
    yield from _listed("Still open", assessment.open_points, "bold yellow")
    yield from _listed("Taken for granted", assessment.assumptions, "underline")
    yield from _listed("Cautions", assessment.cautions, "bold")
    yield Text()
    yield Text(_closing(assessment))


def _heading(text: str, style: str = "underline") -> Iterator[Text]:
    yield Text()
    yield Text(text, style=style)


def _table(*, header: bool = True, gap: int = 2) -> Table:
    return Table(
        box=None,
        pad_edge=False,
        padding=(0, gap, 0, 0),
        header_style="dim",
        show_header=header,
    )


def _ratio(ratio: float | None) -> str:
    if ratio is None:
        return "-"
    return ">99" if ratio > 99 else f"{ratio:.2f}"


def _suspicion(assessment: Assessment) -> Table:
    table = _table(gap=1)
    table.add_column("Part", overflow="fold")
    table.add_column("What decides", max_width=16)
    for name in ("Rated", "Event", "Ratio", "Service"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("Verdict", no_wrap=True)
    for part in assessment.parts:
        worst = part.worst
        event = "-" if worst.event is None else shown_figure(worst.event, worst.unit)
        table.add_row(
            Text(f"{part.name} {_short_kind(part.kind)}"),
            Text(worst.quantity),
            Text(shown_figure(worst.rating, worst.unit)),
            Text(event),
            Text(_ratio(worst.event_ratio)),
            Text(_ratio(worst.service_ratio)),
            Text(part.severity.value, style=_SEVERITY_STYLES[part.severity]),
        )
    return table


def _short_kind(kind: str) -> str:
    """Return a kind as the table has room for it."""
    return {
        "inrush-limiter": "limiter",
        "common-mode-choke": "choke",
        "x-capacitor": "X cap",
        "y-capacitor": "Y cap",
        "bulk-capacitor": "bulk cap",
        "output-diode": "out diode",
        "output-capacitor": "out cap",
    }.get(kind, kind)


def _remarks(assessment: Assessment) -> Iterator[RenderableType]:
    """Say of every part that is not within its rating why, and what else there is to know."""
    told = [part for part in assessment.parts if part.severity is not Severity.WITHIN]
    if told:
        yield Text()
    table = _table(header=False)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1)
    for part in told:
        table.add_row(Text(part.name), Text(_why(part)))
    if told:
        yield table


def _why(part: PartAssessment) -> str:
    return " ".join((f"{part.reason[0].upper()}{part.reason[1:]}.", *part.remarks))


def _checks(checks: tuple[ColdCheck, ...]) -> Table:
    table = _table()
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("Part", no_wrap=True)
    table.add_column("Measure", ratio=5)
    table.add_column("A sound one gives", ratio=6)
    for number, check in enumerate(checks, 1):
        style = "bold" if check.suspect else ""
        table.add_row(
            f"{number}",
            Text(check.part or "unit", style=style),
            Text(check.measure),
            Text(check.expected),
        )
    return table


def _replacements(replacements: tuple[Replacement, ...]) -> Table:
    table = _table()
    table.add_column("Part", no_wrap=True)
    table.add_column("Figure", no_wrap=True)
    table.add_column("Original", justify="right", no_wrap=True)
    table.add_column("Fitted", justify="right", no_wrap=True)
    table.add_column("Verdict", no_wrap=True)
    for part in replacements:
        verdict = Text(part.adequacy.value, style=_ADEQUACY_STYLES[part.adequacy])
        table.add_row(Text(part.name, style="bold"), Text(part.kind), "", "", verdict)
        for found in part.findings:
            table.add_row(
                "",
                Text(found.item),
                Text(found.original),
                Text(found.fitted),
                Text(found.adequacy.value, style=_ADEQUACY_STYLES[found.adequacy]),
            )
    return table


def _reasons(replacements: tuple[Replacement, ...]) -> Iterator[RenderableType]:
    """Say of every finding that is not plainly as good why."""
    table = _table(header=False)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1)
    for part in replacements:
        for found in part.findings:
            if found.reason:
                table.add_row(Text(part.name), Text(f"{found.item}: {found.reason}."))
    if table.row_count:
        yield Text()
        yield table


def _listed(title: str, lines: tuple[str, ...], style: str) -> Iterator[RenderableType]:
    """Yield a titled list with hanging indents; nothing for an empty one."""
    if not lines:
        return
    yield from _heading(title, style)
    for line in lines:
        yield Padding(Text(line), (0, 0, 0, 2), expand=False)


def _closing(assessment: Assessment) -> str:
    if not assessment.replacements:
        verdict = "No replacement is named."
    elif assessment.acceptable:
        verdict = "Every replacement is acceptable."
    else:
        wrong = [
            part.name for part in assessment.replacements if part.adequacy is Adequacy.UNACCEPTABLE
        ]
        verdict = f"Not acceptable: {', '.join(wrong)}."
    return f"{verdict} Nothing was energised to work this out."
