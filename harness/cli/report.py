"""``softwake results report``: the report of a run anew, as a page or as PDF."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.record_options import HERE, NextDue, Results, Run, as_date, write_new
from harness.errors import UsageError

__all__ = ["Paper", "report"]


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "A4"
    LETTER = "Letter"


def report(
    run: Run,
    to: Annotated[
        Path | None,
        typer.Option("--to", help="A new file, .html or .pdf; left out: named for the run, here."),
    ] = None,
    pdf: Annotated[  # noqa: FBT002 - a switch
        bool, typer.Option("--pdf", help="As PDF, by Chromium or WeasyPrint.")
    ] = False,
    paper: Annotated[
        Paper, typer.Option("--paper", case_sensitive=False, help="Paper of the PDF.")
    ] = Paper.A4,
    next_due: NextDue = None,
    results: Results = HERE,
) -> None:
    """Write the report of a run anew from its record, which stays as it is."""
    from harness.record import load
    from harness.record.history import find
    from harness.report.export import as_pdf
    from harness.report.from_record import report_from_record

    due = as_date(next_due)
    folder = find(results, run)
    target = to or Path(f"{folder.resolve().name}{'.pdf' if pdf else '.html'}")
    kind = target.suffix.lower()
    if kind not in {".html", ".pdf"} or (pdf and kind == ".html"):
        wanted = "--to report.pdf" if pdf else "--to report.html or --to report.pdf"
        raise UsageError("a report is written as .html or .pdf", where=str(target), remedy=wanted)
    if target.exists():
        raise UsageError(
            "the file is there already", where=str(target), remedy="name a new one, --to"
        )
    page = report_from_record(load(folder), next_due=due)
    write_new(target, as_pdf(page, paper.value) if kind == ".pdf" else page)
    typer.echo(f"wrote {target}")
