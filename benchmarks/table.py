"""Prints figures: a table on a terminal, a line a figure in a pipe."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Iterable, Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING

from benchmarks.figure import Figure, rounded
from benchmarks.sample_parts import SampleParts

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["machine", "print_figures", "print_parts"]

_MET = {True: ("yes", "green"), False: ("no", "bold red"), None: ("-", "")}


def machine() -> str:
    """Return in a line what the figures were measured on."""
    parts = [
        f"Python {platform.python_version()} on {platform.system()} {platform.machine()}",
        f"{os.cpu_count()} cores",
        *(f"{name} {version(name)}" for name in ("pyvisa", "pyvisa-py", "pyvisa-sim", "typer")),
    ]
    if hasattr(os, "getloadavg"):
        parts.append(f"load {os.getloadavg()[0]:.2f} at the start")
    return ", ".join(parts)


def print_figures(figures: Iterable[Figure]) -> None:
    """Print each figure with its goal, whether it is met, and how it came about."""
    rows = [
        (
            figure.name,
            f"{rounded(figure.value)} {figure.unit}".strip(),
            "" if figure.goal is None else str(figure.goal),
            *_MET[figure.met],
            figure.told,
            figure.conditions,
        )
        for figure in figures
    ]
    out = _console()
    if not out.is_terminal:
        print("figure\tmeasured\tgoal\tmet\tabsolute values\tconditions")
        for name, measured, goal, met, _, told, conditions in rows:
            print(f"{name}\t{measured}\t{goal}\t{met}\t{told}\t{conditions}")
        return
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 1, 0))
    table.add_column("figure", ratio=3)
    for title in ("measured", "goal", "met"):
        table.add_column(title, no_wrap=True)
    table.add_column("absolute values, conditions", ratio=5)
    for name, measured, goal, met, style, told, conditions in rows:
        how = Text.assemble(told, "\n", (conditions, "dim"))
        table.add_row(Text(name), measured, goal, Text(met, style=style), how)
    out.print(table)


def print_parts(parts: Sequence[SampleParts]) -> None:
    """Print what the parts of a sample cost on each wire, in microseconds."""
    lines = {
        "one compound query": [part.query_us for part in parts],
        "link, text to sample": [part.reading_us for part in parts],
        "keeper: envelope and budget": [part.keeper_us for part in parts],
        "journal on disk": [part.journal_us for part in parts],
        "its fsync each 200 ms": [part.sync_us for part in parts],
        "settling, hold": [part.settling_us for part in parts],
        "whole": [part.whole_us for part in parts],
    }
    title = "a full sample, µs"
    width = max(map(len, [title, *lines]))
    print("\t".join([f"{title:{width}}", *(part.wire for part in parts)]))
    for name, values in lines.items():
        cells = (f"{value:{len(part.wire)}.1f}" for value, part in zip(values, parts, strict=True))
        print("\t".join([f"{name:{width}}", *cells]))


def _console() -> Console:
    from rich.console import Console

    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")  # a pipe on Windows may know no "µ"
    return Console(highlight=False, emoji=False, markup=False)
