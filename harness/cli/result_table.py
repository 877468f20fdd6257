"""The table at the end of a run: what was checked, what came of it, and where the record is."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from harness.cli.screen import console
from harness.record.csv_text import printable
from harness.report.wording import found_text, headline, verdict_words, wanted_text

if TYPE_CHECKING:
    from rich.table import Table

    from harness.record import Record

__all__ = ["STYLES", "print_result", "verdict_style"]

#: Colour of a verdict or an ending; the word always stands beside it.
STYLES = {"pass": "green", "fail": "bold red", "undecided": "yellow"}


def verdict_style(run: dict[str, Any]) -> str:
    """Return the colour for how a run ended."""
    if run["released"]:
        return STYLES["pass"]
    completed = run["outcome"] == "completed"
    return STYLES["undecided" if completed and run["verdict"] == "undecided" else "fail"]


def print_result(record: Record) -> None:
    """Print the checks of a run, how it ended, and the path of its record."""
    from rich.padding import Padding
    from rich.text import Text

    out = console(folded=False)
    run = record.run
    out.print()
    if len(record.checks):
        out.print(_checks(record))
        out.print()
    word, beneath = headline(run)
    style = verdict_style(run)
    out.print(Text.assemble((word.upper(), f"bold {style}"), f": {beneath}"), soft_wrap=False)
    for reason in str(run["reason"] or "").splitlines():  # a refusal may have several
        out.print(Padding(Text(printable(reason)), (0, 0, 0, 2), expand=False))
    for warning in run["warnings"]:
        out.print(
            Padding(
                Text(printable(f"warning: {warning}"), style=STYLES["undecided"]),
                (0, 0, 0, 2),
                expand=False,
            )
        )
    for problem in record.problems:
        out.print(
            Padding(Text(printable(problem), style=STYLES["fail"]), (0, 0, 0, 2), expand=False)
        )
    released = "released yes" if run["released"] else "released no"
    if run["rehearsal"]:
        released = "a rehearsal: it releases no unit"
    out.print(Text(f"outcome {run['outcome']}, {verdict_words(run)}, {released}"))
    if record.folder is not None:
        # On a line of its own and never folded, so that it can be picked up with the mouse.
        out.print(Text(f"record {printable(str(record.folder))}"), soft_wrap=True)


def _checks(record: Record) -> Table:
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
    table.add_column("check")
    for name in ("value ± U", "limits", "verdict"):
        table.add_column(name, no_wrap=True)
    step = None
    rows: Iterable[Any] = record.checks.itertuples()
    for row in rows:
        if row.step != step:  # on a line of its own: on 80 columns there is no room beside
            table.add_row(Text(printable(row.step), style="bold cyan"))
            step = row.step
        table.add_row(
            Padding(Text(printable(row.check)), (0, 0, 0, 2), expand=False),
            Text(found_text(row.quantity, row.value, row.uncertainty, row.unit)),
            Text(wanted_text(row.quantity, row.low, row.high, row.unit)),
            Text(row.verdict, style=STYLES.get(row.verdict, "")),
        )
    return table
