"""A bench as its owner reads it: instrument by instrument, in eighty columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from harness.bench.finding import Finding, Inspection, Mark
from harness.cli.screen import console
from harness.quantity import format_quantity

if TYPE_CHECKING:
    from rich.console import Console

    from harness.power.trip import Trip
    from harness.profile.bench_file import BenchFile

__all__ = [
    "show_bench",
    "show_caution",
    "show_ending",
    "show_inspection",
    "show_trip",
    "show_wiring",
    "status_question",
]

#: Colour of a mark; the word always stands beside it.
_STYLES = {Mark.OK: "green", Mark.NOTE: "yellow", Mark.WRONG: "bold red"}

#: Width of mark and check, before the text.
_INDENT = 20


def show_bench(file: BenchFile) -> None:
    """Print what is going to be looked at."""
    out = console()
    out.print(Text(file.name, style="bold"))
    out.print(Text(f"VISA library: {file.visa or 'the system, or pyvisa-py'}"))


def show_inspection(inspection: Inspection) -> None:
    """Print one instrument."""
    out = console()
    out.print()
    out.print(Text.assemble((inspection.role, "bold"), f"  {inspection.resource}"), soft_wrap=True)
    _show(out, inspection.findings)


def show_ending(seen: Sequence[Inspection]) -> bool:
    """Print what came of it all; True where nothing is wrong."""
    out = console()
    amiss = [inspection.role for inspection in seen if not inspection.well]
    out.print()
    if amiss:
        out.print(Text(f"NOT READY: see {', '.join(amiss)}.", style=_STYLES[Mark.WRONG]))
    else:
        out.print(Text(f"All {len(seen)} instruments answer and are well.", style=_STYLES[Mark.OK]))
    out.print(Text("Nothing was set, and nothing was switched on."))
    return not amiss


def show_caution(level_v: float) -> None:
    """Print what is going to happen to the leads, and what to see to before."""
    out = console()
    out.print()
    out.print(Text("Check of the leads", style="bold"))
    level = format_quantity(level_v, "V")
    out.print(
        Text(f"The supply gives {level}, limited to 50 mA, for a few seconds; then it is off.")
    )
    out.print(Text("Take the unit off first: nothing but the meter belongs across the supply."))
    out.print(
        Text(
            "Mains and stored charge can kill. Keep hands clear while the output is on; local "
            "codes and licensed practice come first."
        )
    )


def status_question(file: BenchFile) -> str:
    """Return what is said before the status bits are learnt, and what is to be connected."""
    from harness.power.leads import low_level_v
    from harness.power.status_bits import resistor_ohm

    least, most = (format_quantity(ohm, "ohm", 2) for ohm in resistor_ohm(file))
    return (
        "Status bits\n"
        f"Connect a resistor of {least} to {most} across the supply, and nothing else. The supply "
        f"then gives {format_quantity(low_level_v(file), 'V')}, limited to 50 mA, for a few "
        "seconds, and switches off by its own protection; reset that at its front panel if it "
        "stays. Keep hands clear while the output is on."
    )


def show_wiring(finding: Finding) -> bool:
    """Print what came of a look with the output on; True where nothing is wrong."""
    out = console()
    _show(out, [finding])
    out.print(Text("Output off, and confirmed off."))
    return finding.mark is not Mark.WRONG


def show_trip(trip: Trip) -> None:
    """Print why power was cut."""
    console().print(Text(f"Power was cut: {trip}", style=_STYLES[Mark.WRONG]))


def _show(out: Console, findings: Sequence[Finding]) -> None:
    """Print findings under each other, each with what there is to do and to write."""
    for finding in findings:
        step = f"next: {_printable(finding.remedy)}" if finding.remedy else ""
        lines = [
            line
            for text in (_printable(finding.text), step)
            for line in textwrap.wrap(text, max(20, out.width - _INDENT))
        ]
        out.print(
            Text.assemble(
                (f"{finding.mark.value:<7}", _STYLES[finding.mark]),
                f"{finding.check:<13}",
                ("\n" + " " * _INDENT).join(lines),
            )
        )
        for line in finding.write:  # never folded, so that it can be copied
            out.print(Text(f"    {_printable(line)}", style="bold"), soft_wrap=True)


def _printable(text: str) -> str:
    """Show control characters, which an instrument may send, as ``?``."""
    return "".join(each if each.isprintable() else "?" for each in text)
