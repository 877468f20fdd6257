"""``softwake results``: list, show, verify, export and print records."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Column
from rich.text import Text

from harness.cli.options import HERE, NextDue, Results, Run, as_date, commands, write_new
from harness.cli.result import print_record, verdict_style
from harness.cli.tables import STYLES, add_row, console, table
from harness.errors import ExitCode, RecordError, UsageError
from harness.record import Record, load
from harness.record.csv_text import READINGS, header, number, printable
from harness.record.csv_text import label as csv_label
from harness.record.examine import Examined, examine, find, folders, looked_over
from harness.record.run_summary import plain
from harness.report.wording import UNCONFIRMED, verdict_words

app = commands("Records of earlier runs.")

#: From this many columns on, a list has room for the units' titles.
_WIDE = 120


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "A4"
    LETTER = "Letter"


@app.command("report")
def report(
    run: Run,
    to: Annotated[
        Path | None,
        typer.Option("--to", help="A new file, .html or .pdf; left out: named for the run, here."),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="As PDF, by Chromium or WeasyPrint.")] = False,
    paper: Annotated[
        Paper, typer.Option("--paper", case_sensitive=False, help="Paper of the PDF.")
    ] = Paper.A4,
    next_due: NextDue = None,
    results: Results = HERE,
) -> None:
    """Write the report of a run anew from its record, which stays as it is."""
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


@app.command("label")
def label(
    run: Run,
    to: Annotated[Path, typer.Option("--to", help="A new file, .svg or .png.")],
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="For a rehearsal too, with REHEARSAL across it.")
    ] = False,
    next_due: NextDue = None,
    results: Results = HERE,
) -> None:
    """Write a label, 62 mm wide, with run and QR code; only for a unit that is released."""
    from harness.report.export import as_png
    from harness.report.label import draw_label

    due = as_date(next_due)
    kind = to.suffix.lower()
    if kind not in {".svg", ".png"}:
        raise UsageError(
            "a label is written as .svg or .png", where=str(to), remedy="--to label.svg"
        )
    record = load(find(results, run))
    if not record.whole:
        raise RecordError(
            f"the record is not whole, so there is no label: {record.problems[0]}",
            where=str(record.folder),
            remedy="see 'softwake results verify'",
        )
    picture = draw_label(record.run, rehearsal=rehearsal, next_due=due)
    as_svg = kind == ".svg"
    write_new(to, f"{picture}\n".encode() if as_svg else as_png(picture))


@app.command("list")
def list_runs(
    results: Results = HERE,
    newest: Annotated[int, typer.Option(min=1, help="How many to show, newest first.")] = 20,
) -> None:
    """List runs, newest first; every byte of those shown is compared with its hash."""
    out = console(folded=False)
    known = folders(results)
    names = ["run", "ended", "verdict", "released"]
    names += ["unit"] if out.width >= _WIDE else []
    columns = (
        Column(name, no_wrap=name in {"verdict", "released"}, overflow="fold") for name in names
    )
    runs = table(*columns)
    for seen in looked_over(known[:newest]):
        run = seen.facts
        row = (
            printable(seen.folder.name),
            _ended(seen),
            verdict_words(run, short=True),
            Text(_released(run), style=verdict_style(run)),
            printable(run["title"] or "-"),
        )
        add_row(runs, *row[: len(names)])
    if runs.row_count:
        out.print(runs)
    else:
        out.print(f"No runs in {printable(str(results))}.")
    if len(known) > newest:
        out.print(f"{len(known) - newest} older runs; --newest {len(known)} shows them all.")


def _ended(seen: Examined) -> str:
    """Say how a run ended, unless its record cannot be relied on."""
    if seen.facts.get("output") == UNCONFIRMED:
        return "POWER MAY BE ON"
    outcome = str(seen.facts["outcome"])
    return outcome if seen.whole or outcome == "interrupted" else "damaged"


def _released(run: dict[str, Any]) -> str:
    if run["rehearsal"]:
        return "rehearsal"
    return "yes" if run["released"] else "no"


@app.command("show")
def show(run: Run, results: Results = HERE) -> None:
    """Show what a run checked and how it ended."""
    record = load(find(results, run))
    facts = record.run
    out = console(folded=False)
    rows = (
        ("unit", facts["title"]),
        ("serial", facts["serial"]),
        ("started", facts["started_utc"]),
        ("operator", facts["operator"]),
        ("bench", facts["bench"].get("name")),
        ("profile", facts["profile"].get("source")),
        ("fault", facts["fault"]),
    )
    for name, value in rows:
        if value:
            out.print(f"{name:9} {printable(str(value))}")
    print_record(record)


@app.command("verify")
def verify(run: Run, results: Results = HERE) -> None:
    """Compare every byte of a record with its hashes; exit 1 if it is not whole."""
    folder = find(results, run)
    verification = examine(folder)
    out = console(folded=False)
    for finding in verification.findings:
        out.print(printable(finding))
    word, style = ("whole", STYLES["pass"]) if verification.whole else ("NOT WHOLE", STYLES["fail"])
    out.print(f"{printable(folder.name)}: {word}", style=style, soft_wrap=True)
    if not verification.whole:
        raise typer.Exit(ExitCode.CHECK_FAILED)


@app.command("export")
def export(
    run: Run,
    to: Annotated[Path, typer.Option("--to", help="A new file, .csv or .json.")],
    results: Results = HERE,
) -> None:
    """Write a run into one file: its readings as .csv, or all of it as .json."""
    writers: Mapping[str, Callable[[Record], str]] = {".csv": _as_csv, ".json": _as_json}
    writer = writers.get(to.suffix.lower())
    if writer is None:
        raise UsageError(
            "a record is exported as .csv or .json", where=str(to), remedy="--to run.csv"
        )
    write_new(to, writer(load(find(results, run))).encode())


def _as_csv(record: Record) -> str:
    """Readings with run and serial number in front, so that files of many runs can be joined."""
    names = ("run_id", "serial", "rehearsal", "outcome", "verdict", "released")
    lines = [header((*names, *READINGS))]
    # True and false as JSON has them, so that a rehearsal is told from a run in every file.
    facts = (record.run[name] for name in names)
    start = ",".join(csv_label(json.dumps(f) if isinstance(f, bool) else str(f)) for f in facts)
    for row in record.readings.itertuples(index=False):
        fields = (csv_label(field) if isinstance(field, str) else number(field) for field in row)
        lines.append(f"{start},{','.join(fields)}\n")
    return "".join(lines)


def _as_json(record: Record) -> str:
    names = ("readings", "events", "checks", "budgets")
    tables = {name: getattr(record, name).to_dict(orient="records") for name in names}
    content: dict[str, Any] = {"run": record.run, "whole": record.whole}
    content |= {"problems": record.problems, **tables}
    # ASCII only: whatever stands in the record, the file can be read everywhere.
    return json.dumps(plain(content), indent=1, allow_nan=False) + "\n"
