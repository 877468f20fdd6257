"""``softwake assess``: which parts were over-stressed, what to measure, what replacements do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import typer
from rich.console import RenderableType
from rich.table import Column, Table
from rich.text import Text

from harness.cli.documents import telling
from harness.cli.options import described
from harness.cli.paper import Paper, write_page
from harness.cli.tables import figures, heading, listed, show, table
from harness.errors import ExitCode
from harness.unit.assess import assess as assessment_of
from harness.unit.assessment import (
    Adequacy,
    Assessment,
    PartAssessment,
    Severity,
    as_plain,
)
from harness.unit.part_ratings import shown_figure
from harness.unit.unit_file import load_unit

_STYLES: dict[Severity | Adequacy, str] = {
    Severity.WITHIN: "",
    Severity.MARGINAL: "yellow",
    Severity.OVER: "bold yellow",
    Severity.DESTROYED: "bold red",
    Adequacy.UNACCEPTABLE: "bold red",
    Adequacy.NOTE: "yellow",
    Adequacy.EQUIVALENT: "green",
    Adequacy.BETTER: "green",
}
#: Kinds of part as the table has room for them.
_SHORT_KINDS = {
    "inrush-limiter": "limiter",
    "common-mode-choke": "choke",
    "x-capacitor": "X cap",
    "y-capacitor": "Y cap",
    "bulk-capacitor": "bulk cap",
    "polymer-fuse": "poly fuse",
    "transformer": "transf.",
    "output-diode": "out diode",
    "output-capacitor": "out cap",
}


@described
def assess(unit: str, *, json: bool = False, worksheet: Path | None = None) -> None:
    """Work out over-stressed parts, cold checks and replacements; energises nothing.

    Exit codes: 0 every replacement is acceptable, or none is named; 1 one is not, or a part that
    was seen broken is still in; 2 the file cannot be used.
    """
    found = assessment_of(load_unit(unit))
    if worksheet is not None:
        from harness.report.worksheet import worksheet_html

        write_page(worksheet, "", lambda: worksheet_html(found), pdf=False, paper=Paper.A4)
        return
    with telling(wanted=json) as tell:
        if tell is None:
            show(_lines(found))
        else:
            tell("assessment", as_plain(found))
    raise typer.Exit(ExitCode.RELEASE if found.acceptable else ExitCode.CHECK_FAILED)


def _lines(assessment: Assessment) -> Iterator[RenderableType]:
    yield Text(assessment.title, style="bold")
    maker = "" if assessment.maker is None else f", maker {assessment.maker}"
    yield Text(f"Serial {assessment.serial}{maker}.")
    yield Text(assessment.story)
    yield from heading("Suspicion, the gravest first")
    yield _suspicion(assessment)
    yield Text(
        "Ratio: stress over rating; margin is what is left to 1. Service: the ratio at the "
        "highest line voltage.",
        style="dim",
    )
    yield from _told(
        (part.name, " ".join(_about(part)))
        for part in assessment.parts
        if part.severity is not Severity.WITHIN
    )
    yield from heading("Cold checks, in this order, unplugged and discharged")
    yield _checks(assessment)
    if assessment.replacements:
        yield from heading("Replacements")
        yield _replacements(assessment)
        yield from _told(
            (part.name, f"{found.item}: {found.reason}.")
            for part in assessment.replacements
            for found in part.findings
            if found.reason
        )
    yield from listed("Still open", assessment.open_points, "bold yellow")
    yield from listed("Taken for granted", assessment.assumptions)
    yield from listed("What would have prevented it (common practice)", assessment.prevention)
    yield from listed("Cautions", assessment.cautions, "bold")
    verdict = "Every replacement is acceptable."
    if not assessment.acceptable:
        verdict = f"Not acceptable: {', '.join(assessment.not_acceptable)}."
    elif not assessment.replacements:
        verdict = "No replacement is named."
    yield Text(f"\n{verdict} Nothing was energised to work this out.")


def _about(part: PartAssessment) -> Iterator[str]:
    """Yield what there is to say of a part, in sentences; what was seen stands in its remarks."""
    if not part.known.startswith("seen"):
        yield f"{part.reason[0].upper()}{part.reason[1:]}."
    yield from part.remarks


def _told(rows: Iterator[tuple[str, str]]) -> Iterator[RenderableType]:
    """Yield parts and what there is to say of them; nothing where there is nothing."""
    told = table(Column(no_wrap=True), Column(ratio=1), show_header=False)
    for row in rows:
        told.add_row(*row)
    if told.row_count:
        yield Text()
        yield told


def _suspicion(assessment: Assessment) -> Table:
    parts = table(
        Column("Part", overflow="fold"),
        Column("What decides", max_width=16),
        *figures("Rated", "Event", "Ratio", "Service"),
        Column("Verdict", no_wrap=True),
        gap=1,
        header_style="dim",
    )
    for part in assessment.parts:
        worst = part.worst
        figures_of_it = (
            shown_figure(worst.rating, worst.unit),
            "-" if worst.event is None else shown_figure(worst.event, worst.unit),
            _ratio(worst.event_ratio),
            _ratio(worst.service_ratio),
        )
        parts.add_row(
            f"{part.name} {_SHORT_KINDS.get(part.kind, part.kind)}",
            part.known or worst.quantity,
            *(("-",) * len(figures_of_it) if part.known else figures_of_it),
            _word(part.severity),
        )
    return parts


def _ratio(ratio: float | None) -> str:
    if ratio is None:
        return "-"
    return ">99" if ratio > 99 else f"{ratio:.2f}"


def _checks(assessment: Assessment) -> Table:
    checks = table(
        *figures(""),
        Column("Part", no_wrap=True),
        Column("Measure", ratio=5),
        Column("A sound one gives", ratio=6),
        header_style="dim",
    )
    for number, check in enumerate(assessment.checks, 1):
        part = Text(check.part or "unit", style="bold" if check.suspect else "")
        checks.add_row(f"{number}", part, check.measure, check.expected)
    return checks


def _replacements(assessment: Assessment) -> Table:
    parts = table(
        Column("Part", no_wrap=True),
        Column("Figure", no_wrap=True),
        *figures("Original", "Fitted"),
        Column("Verdict", no_wrap=True),
        header_style="dim",
    )
    for part in assessment.replacements:
        parts.add_row(Text(part.name, style="bold"), part.kind, "", "", _word(part.adequacy))
        for found in part.findings:
            parts.add_row("", found.item, found.original, found.fitted, _word(found.adequacy))
    return parts


def _word(verdict: Severity | Adequacy) -> Text:
    return Text(verdict.value, style=_STYLES[verdict])
