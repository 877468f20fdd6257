"""``softwake results label``: the label of a released unit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.record_options import HERE, NextDue, Results, Run, as_date, write_new
from harness.errors import RecordError, UsageError

__all__ = ["label"]


def label(
    run: Run,
    to: Annotated[Path, typer.Option("--to", help="A new file, .svg or .png.")],
    rehearsal: Annotated[  # noqa: FBT002 - a switch
        bool, typer.Option("--rehearsal", help="For a rehearsal too, with REHEARSAL across it.")
    ] = False,
    next_due: NextDue = None,
    results: Results = HERE,
) -> None:
    """Write a label, 62 mm wide, with run and QR code; only for a unit that is released."""
    from harness.record import load
    from harness.record.history import find
    from harness.report.export import as_png
    from harness.report.label import HEIGHT_MM, WIDTH_MM, draw_label

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
    if kind == ".svg":
        write_new(to, f"{picture}\n".encode())
    else:
        write_new(to, as_png(picture, WIDTH_MM, HEIGHT_MM))
    typer.echo(f"wrote {to}")
