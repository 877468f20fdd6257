"""What a start told of the unit, as a table, and beneath why it did not tell more."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from rich.console import RenderableType
from rich.table import Column
from rich.text import Text

from harness.cli.tables import indented, table
from harness.record import Record
from harness.record.csv_text import printable
from harness.report.figures import FigureRow, rows_of_events


def figures_shown(record: Record) -> Iterator[RenderableType]:
    """Yield what a record has of the unit's figures; nothing where it has none."""
    told = list(rows_of_events(zip(record.events["kind"], record.events["detail"], strict=True)))
    found = [row for row in told if row.found]
    if told:
        yield Text()
    if found:
        earlier = any(row.earlier for row in found)
        names = ("value ± U", "nameplate", *(["this unit before"] if earlier else []))
        columns = (Column(name, no_wrap=name == "value ± U") for name in names)
        figures = table("figure of the unit", *columns, gap=1)
        for row in found:
            cells = (row.found, row.nameplate or "-", next(iter(row.earlier), "-"))
            figures.add_row(indented(printable(_from(row))), *cells[: len(names)])
        yield figures
    for row in told:
        if row.by_level:
            yield indented(printable(row.by_level), "dim")
    without = (row for row in told if row.why_not)
    for why, rows in itertools.groupby(without, key=lambda row: row.why_not):
        figures_not_told = ", no ".join(map(_from, rows))
        yield indented(printable(f"no {figures_not_told}: {why}"), "dim")
    if told:
        yield Text()


def _from(row: FigureRow) -> str:
    """Name a figure, and the step it comes from where that is not the start."""
    the = "" if " no. " in row.of else "the "
    return row.name if row.of == "start" else f"{row.name}, by {the}{row.of}"
