"""A record on the screen, as ``softwake results show`` and the end of a run have it.

What was checked, what came of it, and where the record is.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import Any

import typer
from rich.table import Column, Table
from rich.text import Text

from harness.cli.contents import of_lost_record, of_record
from harness.cli.documents import Teller
from harness.cli.explaining import explain_end
from harness.cli.figures_shown import figures_shown
from harness.cli.tables import STYLES, console, indented, table
from harness.errors import RecordError
from harness.record import Record, load
from harness.record.csv_text import printable
from harness.report.wording import (
    YES_NO,
    found_text,
    headline,
    limit_sources,
    output_text,
    release_words,
    safety_text,
    source_lines,
    verdict_mark,
    verdict_words,
    wanted_text,
)
from harness.run.result import RunResult, output_entry


def show_result(result: RunResult, tell: Teller | None = None) -> None:
    """Print the checks, the outcome, the path of the record, and last what became of the output.

    Where the record was lost on the way, it cannot say how the run ended: then this does. With
    `tell` the document of the run is printed as well.
    """
    if result.folder is None:
        return
    whole, told = False, of_lost_record(result, "the record cannot be read")
    record = None
    try:
        record = load(result.folder)
        print_record(record)
        whole = record.whole
        told = of_record(record) if whole else of_lost_record(result, "; ".join(record.problems))
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
    if whole and record is not None:
        told = {**told, "suspects": explain_end(record)}
    if tell is not None:
        tell("run", told)


def print_record(record: Record) -> None:
    """Print the checks of a record, what the start told, and how the run ended."""
    out = console(folded=False)
    run = record.run
    out.print()
    if len(record.checks):
        out.print(_checks(record))
        out.print()
        for line in _sources(record):
            out.print(indented(printable(line), "dim"))
    for part in figures_shown(record):
        out.print(part)
    word, beneath = headline(run, whole=record.whole)
    style = STYLES[verdict_mark(run)]
    out.print(Text.assemble((word.upper(), f"bold {style}"), f": {beneath}"))
    reasons = str(run["reason"] or "").splitlines()  # a refusal may have several
    points = [point for point in map(str, run["open_points"]) if point not in reasons]
    safety = safety_text(run) if run["outcome"] == "completed" else ""
    beside = (
        *((reason, "") for reason in reasons),
        *([(f"safety tests after repair: {safety}", "")] if safety else []),
        *((f"open: {point}", STYLES["undecided"]) for point in points),
        *((f"warning: {warning}", STYLES["undecided"]) for warning in run["warnings"]),
        *((problem, STYLES["fail"]) for problem in record.problems),
    )
    for text, style in beside:
        out.print(indented(printable(text), style))
    out.print(Text(f"outcome {run['outcome']}, {verdict_words(run)}, {release_words(run)}"))
    if record.folder is not None:
        # On a line of its own and never folded, so that it can be picked up with the mouse.
        out.print(Text(f"record {printable(str(record.folder))}"), soft_wrap=True)


def _sources(record: Record) -> Iterator[str]:
    """Say where the limits come from; nothing for a record from before that was kept."""
    if "limit_sources" not in record.run:
        return
    sources = limit_sources(record.run)
    rows: Iterable[Any] = record.checks.itertuples()
    named = (
        (row.check, sources.get((row.step, row.check), ""))
        for row in rows
        if row.quantity != YES_NO
    )
    yield from (f"limits of {line}" for line in source_lines(named))


def _checks(record: Record) -> Table:
    columns = (Column(name, no_wrap=True) for name in ("value ± U", "limits", "verdict"))
    checks = table("check", *columns, gap=1)
    step = None
    rows: Iterable[Any] = record.checks.itertuples()
    for row in rows:
        if row.step != step:  # on a line of its own: on 80 columns there is no room beside
            checks.add_row(Text(printable(row.step), style="bold cyan"))
            step = row.step
        checks.add_row(
            indented(printable(row.check)),
            found_text(row.quantity, row.value, row.uncertainty, row.unit),
            wanted_text(row.quantity, row.low, row.high, row.unit),
            Text(row.verdict, style=STYLES.get(row.verdict, "")),
        )
    return checks
