"""``softwake results``: records listed, shown, verified, exported and printed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from json import dumps
from pathlib import Path
from typing import Any

import typer
from rich.table import Column
from rich.text import Text

from harness.cli import PLAIN
from harness.cli.asking import date, read_option
from harness.cli.contents import of_record, of_runs, of_verification
from harness.cli.documents import telling
from harness.cli.options import HERE, described, write_file
from harness.cli.paper import Paper, kind_of, write_page
from harness.cli.record_shown import print_record
from harness.cli.tables import STYLES, console, table
from harness.errors import ExitCode, RecordError
from harness.record import Record, load
from harness.record.csv_text import READINGS, header, number, printable
from harness.record.csv_text import label as csv_label
from harness.record.examine import Examined, examine, find, folders, looked_over
from harness.record.last_words import battery_in
from harness.record.run_summary import plain
from harness.report.wording import UNCONFIRMED, is_pre_check, verdict_mark, verdict_words

app = typer.Typer(help="Records of earlier runs.", no_args_is_help=True, **PLAIN)

#: From this many columns on, a list has room for the units' titles.
_WIDE = 120


@app.command("report")
@described
def report(
    run: str,
    *,
    to: Path | None = None,
    pdf: bool = False,
    paper: Paper = Paper.A4,
    next_due: str | None = None,
    results: Path = HERE,
) -> None:
    """Write the report of a run again from its record, which stays as it is."""
    from harness.report.page import report_from_record

    due = None if next_due is None else read_option("--next-due", next_due, date)
    folder = find(results, run)

    def page() -> bytes:
        return report_from_record(load(folder), next_due=due)

    write_page(to, folder.resolve().name, page, pdf=pdf, paper=paper)


@app.command("label")
@described
def label(
    run: str,
    *,
    to: Path,
    input: bool = False,  # noqa: A002 - the option's name
    rehearsal: bool = False,
    next_due: str | None = None,
    results: Path = HERE,
) -> None:
    """Write a label, 62 mm wide, with run and QR code; only for a unit that is released."""
    from harness.report.export import as_png
    from harness.report.input_label import draw_input_label
    from harness.report.label import draw_label

    due = None if next_due is None else read_option("--next-due", next_due, date)
    kind = kind_of(to, (".svg", ".png"), "a label is written as .svg or .png", "--to label.svg")
    record = load(find(results, run))
    if not record.whole:
        raise RecordError(
            f"the record is not whole, so there is no label: {record.problems[0]}",
            where=str(record.folder),
            remedy="see 'softwake results verify'",
        )
    if input:
        picture = draw_input_label(record.run, rehearsal=rehearsal)
    else:
        picture = draw_label(record.run, rehearsal=rehearsal, next_due=due)
    write_file(to, f"{picture}\n".encode() if kind == ".svg" else as_png(picture))


@app.command("hand-over")
@described
def hand_over(
    run: str,
    *,
    to: Path | None = None,
    pdf: bool = False,
    paper: Paper = Paper.A4,
    next_due: str | None = None,
    contact: str | None = None,
    results: Path = HERE,
) -> None:
    """Write the page that goes with the unit when it is handed back: one sheet."""
    from harness.report.hand_over import hand_over_html

    due = None if next_due is None else read_option("--next-due", next_due, date)
    folder = find(results, run)

    def page() -> bytes:
        return hand_over_html(load(folder), next_due=due, contact=contact)

    write_page(to, f"{folder.resolve().name}-hand-over", page, pdf=pdf, paper=paper)


@app.command("list")
@described
def list_runs(results: Path = HERE, newest: int = 20, *, json: bool = False) -> None:
    """List runs, newest first; every byte of those shown is compared with its hash."""
    known = folders(results)
    with telling(wanted=json) as tell:
        if tell is not None:
            older = max(len(known) - newest, 0)
            tell("runs", of_runs(str(results), looked_over(known[:newest]), older=older))
            return
    out = console(folded=False)
    names = ["run", "ended", "verdict", "released"]
    names += ["unit"] if out.width >= _WIDE else []
    columns = (
        Column(name, no_wrap=name in {"verdict", "released"}, overflow="fold") for name in names
    )
    runs = table(*columns)
    odd = []
    for seen in looked_over(known[:newest]):
        run = seen.facts
        if seen.renamed_from:
            odd.append(f"{seen.folder.name} was renamed; it holds the run {seen.renamed_from}.")
        if not seen.whole and (left := battery_in(seen.folder)):
            odd.append(f"{seen.folder.name}: {left}.")
        released = _release_word(run)
        row = (
            printable(seen.folder.name),
            _ended(seen),
            verdict_words(run, short=True),
            Text(released, style=STYLES[verdict_mark(run)]),
            printable(run["title"] or "-"),
        )
        runs.add_row(*row[: len(names)])
    out.print(runs if runs.row_count else f"No runs in {printable(str(results))}.")
    for line in odd:
        out.print(printable(line), style=STYLES["fail"], soft_wrap=True)
    if len(known) > newest:
        out.print(f"{len(known) - newest} older runs; --newest {len(known)} shows them all.")


def _release_word(run: Mapping[str, Any]) -> str:
    """Say whether a run released the unit, in a word or two; or that it was none that could."""
    if is_pre_check(run):
        return "rehearsed pre-check" if run["rehearsal"] else "pre-check"
    if run["rehearsal"]:
        return "rehearsal"
    return "yes" if run["released"] else "no"


def _ended(seen: Examined) -> str:
    """How a run ended, unless its record cannot be relied on."""
    if seen.facts.get("output") == UNCONFIRMED:
        return "POWER MAY BE ON"
    if seen.renamed_from:
        return "renamed"
    outcome = str(seen.facts["outcome"])
    return outcome if seen.whole or outcome == "interrupted" else "damaged"


@app.command("show")
@described
def show(run: str, results: Path = HERE, *, json: bool = False) -> None:
    """Show what a run checked and how it ended."""
    record = load(find(results, run))
    with telling(wanted=json) as tell:
        if tell is not None:
            tell("run", of_record(record))
            return
    facts = record.run
    out = console(folded=False)
    rows = {
        "unit": facts["title"],
        "serial": facts["serial"],
        "started": facts["started_utc"],
        "operator": facts["operator"],
        "bench": facts["bench"].get("name"),
        "profile": facts["profile"].get("source"),
        "fault": facts["fault"],
    }
    for name, value in rows.items():
        if value:
            out.print(f"{name:9} {printable(str(value))}")
    print_record(record)


@app.command("verify")
@described
def verify(run: str, results: Path = HERE, *, json: bool = False) -> None:
    """Compare every byte of a record with its hashes; exit 1 if it is not whole."""
    verification = examine(find(results, run))
    with telling(wanted=json) as tell:
        if tell is None:
            _print_verification(verification)
        else:
            tell("verification", of_verification(verification))
    if not verification.whole:
        raise typer.Exit(ExitCode.CHECK_FAILED)


def _print_verification(found: Examined) -> None:
    out = console(folded=False)
    for finding in found.findings:
        out.print(printable(finding))
    word, style = ("whole", STYLES["pass"]) if found.whole else ("NOT WHOLE", STYLES["fail"])
    out.print(f"{printable(found.folder.name)}: {word}", style=style, soft_wrap=True)


@app.command("export")
@described
def export(run: str, *, to: Path, results: Path = HERE) -> None:
    """Write a run into one file: its readings as .csv, or all of it as .json."""
    writers: Mapping[str, Callable[[Record], str]] = {".csv": _as_csv, ".json": _as_json}
    kind = kind_of(to, writers, "a record is exported as .csv or .json", "--to run.csv")
    write_file(to, writers[kind](load(find(results, run))).encode())


def _as_csv(record: Record) -> str:
    """Readings with run and serial number in front, so that files of many runs can be joined."""
    names = ("run_id", "serial", "rehearsal", "outcome", "verdict", "released")
    lines = [header((*names, *READINGS))]
    # True and false as JSON has them, so that a rehearsal is told from a run in every file.
    facts = (record.run[name] for name in names)
    start = ",".join(csv_label(dumps(f) if isinstance(f, bool) else str(f)) for f in facts)
    for row in record.readings.itertuples(index=False):
        fields = (csv_label(field) if isinstance(field, str) else number(field) for field in row)
        lines.append(f"{start},{','.join(fields)}\n")
    return "".join(lines)


def _as_json(record: Record) -> str:
    names = ("readings", "events", "checks", "budgets")
    tables = {name: getattr(record, name).to_dict(orient="records") for name in names}
    content = {"run": record.run, "whole": record.whole, "problems": record.problems, **tables}
    # ASCII only: whatever stands in the record, the file can be read everywhere.
    return dumps(plain(content), indent=1, allow_nan=False) + "\n"
