"""``softwake results``: list, show, verify, export and print records."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.label import label
from harness.cli.record_options import HERE, Results, Run, write_new
from harness.cli.report import report
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.record import Record
    from harness.record.examine import Examined

__all__ = ["app", "export", "list_runs", "show", "verify"]

app = typer.Typer(help="Records of earlier runs.", no_args_is_help=True)

app.command("report")(report)
app.command("label")(label)

#: From this many columns on, a list has room for the units' titles.
_WIDE = 120


@app.command("list")
def list_runs(
    results: Results = HERE,
    newest: Annotated[int, typer.Option(min=1, help="How many to show, newest first.")] = 20,
) -> None:
    """List runs, newest first; every byte of those shown is compared with its hash."""
    from rich.table import Table
    from rich.text import Text

    from harness.cli.result_table import verdict_style
    from harness.cli.screen import console
    from harness.record.csv_text import printable
    from harness.record.history import folders, looked_over
    from harness.report.wording import verdict_words

    out = console(folded=False)
    known = folders(results)
    names = ["run", "ended", "verdict", "released"]
    names += ["unit"] if out.width >= _WIDE else []
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for name in names:
        table.add_column(name, no_wrap=name in {"verdict", "released"}, overflow="fold")
    for seen in looked_over(known[:newest]):
        run = seen.facts
        row = (
            Text(printable(seen.folder.name)),
            Text(_ended(seen)),
            Text(verdict_words(run, short=True)),
            Text(_released(run), style=verdict_style(run)),
            Text(printable(run["title"] or "-")),
        )
        table.add_row(*row[: len(names)])
    if table.row_count:
        out.print(table)
    else:
        out.print(f"No runs in {printable(str(results))}.")
    if len(known) > newest:
        out.print(f"{len(known) - newest} older runs; --newest {len(known)} shows them all.")


@app.command("show")
def show(run: Run, results: Results = HERE) -> None:
    """Show what a run checked and how it ended."""
    from harness.cli.result_table import print_result
    from harness.cli.screen import console
    from harness.record import load
    from harness.record.csv_text import printable
    from harness.record.history import find

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
    print_result(record)


@app.command("verify")
def verify(run: Run, results: Results = HERE) -> None:
    """Compare every byte of a record with its hashes; exit 1 if it is not whole."""
    from harness.cli.result_table import STYLES
    from harness.cli.screen import console
    from harness.record import history
    from harness.record.csv_text import printable

    folder = history.find(results, run)
    verification = history.verify(folder)
    out = console(folded=False)
    for finding in verification.findings:
        out.print(printable(finding))
    word, style = ("whole", STYLES["pass"]) if verification.whole else ("NOT WHOLE", STYLES["fail"])
    out.print(f"{printable(folder.name)}: {word}", style=style, soft_wrap=True)
    if not verification.whole:
        raise typer.Exit(1)


@app.command("export")
def export(
    run: Run,
    to: Annotated[Path, typer.Option("--to", help="A new file, .csv or .json.")],
    results: Results = HERE,
) -> None:
    """Write a run into one file: its readings as .csv, or all of it as .json."""
    from harness.record import load
    from harness.record.history import find

    writers: Mapping[str, Callable[[Record], str]] = {".csv": _as_csv, ".json": _as_json}
    writer = writers.get(to.suffix.lower())
    if writer is None:
        raise UsageError(
            "a record is exported as .csv or .json", where=str(to), remedy="--to run.csv"
        )
    text = writer(load(find(results, run)))
    write_new(to, text.encode())
    typer.echo(f"wrote {to}")


def _as_csv(record: Record) -> str:
    """Readings with run and serial number in front, so that files of many runs can be joined."""
    from harness.record.csv_text import READINGS, header, label, number

    names = ("run_id", "serial", "rehearsal", "outcome", "verdict", "released")
    lines = [header((*names, *READINGS))]
    # True and false as JSON has them, so that a rehearsal is told from a run in every file.
    facts = (record.run[name] for name in names)
    start = ",".join(label(json.dumps(f) if isinstance(f, bool) else str(f)) for f in facts)
    for row in record.readings.itertuples(index=False):
        fields = (label(field) if isinstance(field, str) else number(field) for field in row)
        lines.append(f"{start},{','.join(fields)}\n")
    return "".join(lines)


def _as_json(record: Record) -> str:
    from harness.record.run_summary import plain

    names = ("readings", "events", "checks", "budgets")
    tables = {name: getattr(record, name) for name in names}
    content: dict[str, Any] = {"run": record.run, "whole": record.whole}
    content["problems"] = record.problems
    content |= {name: table.to_dict(orient="records") for name, table in tables.items()}
    # ASCII only: whatever stands in the record, the file can be read everywhere.
    return json.dumps(plain(content), indent=1, allow_nan=False) + "\n"


def _ended(seen: Examined) -> str:
    """Say how a run ended, unless its record cannot be relied on."""
    from harness.report.wording import UNCONFIRMED

    if seen.facts.get("output") == UNCONFIRMED:
        return "POWER MAY BE ON"
    outcome = str(seen.facts["outcome"])
    return outcome if seen.whole or outcome == "interrupted" else "damaged"


def _released(run: dict[str, Any]) -> str:
    if run["rehearsal"]:
        return "rehearsal"
    return "yes" if run["released"] else "no"
