"""The table at the end of a run: what was checked, what came of it, and where the record is."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import Any

import typer
from rich.table import Column, Table
from rich.text import Text

from harness.cli.tables import STYLES, add_row, console, indented, table
from harness.errors import RecordError
from harness.record import Record, load
from harness.record.csv_text import printable
from harness.report.wording import found_text, headline, output_text, verdict_words, wanted_text
from harness.run.result import RunResult, output_entry


def show_result(result: RunResult) -> None:
    """Print the checks, the outcome, the path of the record, and last what became of the output.

    Where the record was lost on the way, it cannot say how the run ended: then this does.
    """
    if result.folder is None:
        return
    whole = False
    try:
        record = load(result.folder)
        print_record(record)
        whole = record.whole
    except RecordError:
        pass  # the reason of the run says more
    except Exception as error:  # noqa: BLE001 - such as no memory left: how the run ended counts
        problem = f"{type(error).__name__}: {error}".partition("\n")[0]
        typer.echo(f"softwake: the checks cannot be shown: {problem}", err=True)
        typer.echo(f"record {result.folder}")
    if not whole:
        sys.stdout.flush()
        typer.echo(f"softwake: {result.outcome.value}: {result.reason}", err=True)
    typer.echo(output_text(output_entry(result)))


def print_record(record: Record) -> None:
    """Print the checks of a run, how it ended, and the path of its record."""
    out = console(folded=False)
    run = record.run
    out.print()
    if len(record.checks):
        out.print(_checks(record))
        out.print()
    word, beneath = headline(run)
    out.print(Text.assemble((word.upper(), f"bold {verdict_style(run)}"), f": {beneath}"))
    reasons = str(run["reason"] or "").splitlines()  # a refusal may have several
    beside = (
        *((reason, "") for reason in reasons),
        *((f"warning: {warning}", STYLES["undecided"]) for warning in run["warnings"]),
        *((problem, STYLES["fail"]) for problem in record.problems),
    )
    for text, style in beside:
        out.print(indented(printable(text), style))
    released = "released yes" if run["released"] else "released no"
    if run["rehearsal"]:
        released = "a rehearsal: it releases no unit"
    out.print(Text(f"outcome {run['outcome']}, {verdict_words(run)}, {released}"))
    if record.folder is not None:
        # On a line of its own and never folded, so that it can be picked up with the mouse.
        out.print(Text(f"record {printable(str(record.folder))}"), soft_wrap=True)


def verdict_style(run: dict[str, Any]) -> str:
    """Return the colour for how a run ended."""
    if run["released"]:
        return STYLES["pass"]
    completed = run["outcome"] == "completed"
    return STYLES["undecided" if completed and run["verdict"] == "undecided" else "fail"]


def _checks(record: Record) -> Table:
    columns = (Column(name, no_wrap=True) for name in ("value ± U", "limits", "verdict"))
    checks = table("check", *columns, gap=1)
    step = None
    rows: Iterable[Any] = record.checks.itertuples()
    for row in rows:
        if row.step != step:  # on a line of its own: on 80 columns there is no room beside
            add_row(checks, Text(printable(row.step), style="bold cyan"))
            step = row.step
        add_row(
            checks,
            indented(printable(row.check)),
            found_text(row.quantity, row.value, row.uncertainty, row.unit),
            wanted_text(row.quantity, row.low, row.high, row.unit),
            Text(row.verdict, style=STYLES.get(row.verdict, "")),
        )
    return checks
