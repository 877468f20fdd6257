"""``softwake bench``: find the instruments, identify them, and see whether they are well."""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Sequence
from typing import Annotated

import typer
from rich.text import Text

from harness.bench.clock import SystemClock
from harness.bench.dialect import bench_dialects
from harness.bench.finding import Finding, Inspection, Mark
from harness.bench.selfcheck import inspect_bench
from harness.cli.prompts import TerminalOperator
from harness.cli.tables import console, heading, show
from harness.errors import ExitCode
from harness.power.keeper_client import open_process_bench
from harness.power.leads import check_leads, low_level_v
from harness.power.lock import hold_supply
from harness.power.status_bits import learn_status, resistor_ohm
from harness.power.trip import Tripped
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench
from harness.quantity import format_quantity
from harness.run.stop import Interrupted, StopRequest, stop_on_signals

#: Colour of a mark; the word always stands beside it.
_STYLES = {Mark.OK: "green", Mark.NOTE: "yellow", Mark.WRONG: "bold red"}
#: Width of mark and check, before the text.
_INDENT = 20


def bench(
    file: Annotated[str, typer.Argument(help="The bench file: instruments and how to reach them.")],
    wiring: Annotated[
        bool,
        typer.Option(
            "--wiring",
            help="Also set a low level, 1 V at most: compare supply and meter, and learn the "
            "supply's status bits on a resistor; energises the output.",
        ),
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not ask before the output is switched on.")
    ] = False,
) -> None:
    """Find, identify and self-check the instruments; energises nothing unless asked."""
    table = load_bench(file)
    clock = SystemClock()
    now = dt.datetime.now(dt.UTC)
    with hold_supply(table.supply.resource, serial="bench check", started=now):
        library = table.visa or "the system, or pyvisa-py"
        show((Text(table.name, style="bold"), Text(f"VISA library: {library}")))
        seen = []
        for inspection in inspect_bench(table, clock, today=now.astimezone().date()):
            _show_inspection(inspection)
            seen.append(inspection)
        well = _show_ending(seen)
        if wiring and well:
            well = _check_wiring(table, clock, ask=not yes)
    raise typer.Exit(ExitCode.RELEASE if well else ExitCode.REFUSED)


def _check_wiring(table: BenchFile, clock: SystemClock, *, ask: bool) -> bool:
    """Look at the leads, then at the status bits, both at a low level; True where all is well."""
    stop = StopRequest()
    operator = TerminalOperator(stop) if ask else None
    with stop_on_signals(stop):
        try:
            return _check_leads(table, clock, stop, operator) and (
                operator is None or _learn_status(table, clock, stop, operator)
            )
        except Tripped as error:
            show([Text(f"Power was cut: {error.trip}", style=_STYLES[Mark.WRONG])])
            raise typer.Exit(ExitCode.TRIPPED) from None
        except Interrupted as error:
            typer.echo(f"\nsoftwake: {error}; the output is off", err=True)
            raise typer.Exit(error.exit_code) from None


def _check_leads(
    table: BenchFile, clock: SystemClock, stop: StopRequest, operator: TerminalOperator | None
) -> bool:
    """Compare supply and meter; True where they agree."""
    level = format_quantity(low_level_v(table), "V")
    show(heading("Check of the leads", "bold"))
    show(
        (
            Text(f"The supply gives {level}, limited to 50 mA, for a few seconds; then it is off."),
            Text("Take the unit off first: nothing but the meter belongs across the supply."),
            Text(
                "Mains and stored charge can kill. Keep hands clear while the output is on; local "
                "codes and licensed practice come first."
            ),
        )
    )
    if operator is not None and not operator.confirm("Switch the output on now?"):
        typer.echo("Nothing was switched on.")
        return False
    return _show_wiring(
        check_leads(table, clock, open_process_bench(table, clock), stop.raise_if_requested)
    )


def _learn_status(
    table: BenchFile, clock: SystemClock, stop: StopRequest, operator: TerminalOperator
) -> bool:
    """Learn the supply's status bits on a resistor; without one they are left out."""
    if "status" not in bench_dialects(table)["supply"].ask:
        return True
    least, most = (format_quantity(ohm, "ohm", 2) for ohm in resistor_ohm(table))
    question = (
        "Status bits\n"
        f"Connect a resistor of {least} to {most} across the supply, and nothing else. The supply "
        f"then gives {format_quantity(low_level_v(table), 'V')}, limited to 50 mA, for a few "
        "seconds, and switches off by its own protection; reset that at its front panel if it "
        "stays. Keep hands clear while the output is on."
    )
    if not operator.place_load("resistor", question):
        typer.echo("The status bits were left out.")
        return True
    return _show_wiring(
        learn_status(table, clock, open_process_bench(table, clock), stop.raise_if_requested)
    )


def _show_inspection(inspection: Inspection) -> None:
    out = console()
    out.print()
    out.print(Text.assemble((inspection.role, "bold"), f"  {inspection.resource}"), soft_wrap=True)
    _show_findings(inspection.findings)


def _show_ending(seen: Sequence[Inspection]) -> bool:
    """Print what came of it all; True where nothing is wrong."""
    amiss = [inspection.role for inspection in seen if not inspection.well]
    if amiss:
        ending = Text(f"NOT READY: see {', '.join(amiss)}.", style=_STYLES[Mark.WRONG])
    else:
        ending = Text(f"All {len(seen)} instruments answer and are well.", style=_STYLES[Mark.OK])
    show((Text(), ending, Text("Nothing was set, and nothing was switched on.")))
    return not amiss


def _show_wiring(finding: Finding) -> bool:
    """Print what came of a look with the output on; True where nothing is wrong."""
    _show_findings([finding])
    show([Text("Output off, and confirmed off.")])
    return finding.mark is not Mark.WRONG


def _show_findings(findings: Sequence[Finding]) -> None:
    """Print findings under each other, each with what there is to do and to write."""
    out = console()
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
