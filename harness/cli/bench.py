"""``softwake bench``: find the instruments, identify them, and see whether they are in order."""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Callable, Iterable
from pathlib import Path

import typer
from rich.text import Text

from harness.bench.clock import SystemClock
from harness.bench.dialect import bench_dialects
from harness.bench.finding import Finding, Mark
from harness.bench.selfcheck import inspect_bench
from harness.cli.contents import of_bench
from harness.cli.discover import list_connected
from harness.cli.documents import Teller, telling
from harness.cli.options import HERE, described
from harness.cli.prompts import TerminalOperator
from harness.cli.tables import console, heading, show
from harness.errors import ExitCode, UsageError
from harness.power.leads import check_leads, low_level_v
from harness.power.lock import hold_supply
from harness.power.own_capacitance import measure_own_capacitance
from harness.power.process_bench import open_process_bench
from harness.power.status_bits import learn_status, resistor_ohm
from harness.power.trip import Tripped
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench
from harness.quantity import format_quantity
from harness.record.csv_text import printable
from harness.record.left_behind import left_at
from harness.run.operator import Interrupted, StopRequest, stop_on_signals

#: Colour of a mark; the word always stands beside it.
_STYLES = {Mark.OK: "green", Mark.NOTE: "yellow", Mark.WRONG: "bold red"}
#: Width of mark and check, before the text.
_INDENT = 20


@described
def bench(
    file: str = "",
    *,
    wiring: bool = False,
    discover: bool = False,
    addresses: str = "",
    yes: bool = False,
    results: Path = HERE,
    json: bool = False,
) -> None:
    """Find, identify and self-check the instruments; energises nothing unless asked."""
    if not (file or discover):
        raise UsageError("which bench?", remedy="name its file, or add --discover")
    if addresses and not discover:
        raise UsageError("it is searched with --discover", where="--addresses", remedy="add that")
    if discover and wiring:
        raise UsageError("it needs a bench file", where="--wiring", remedy="leave --discover out")
    table = load_bench(file) if file else None
    if wiring and table is not None and table.by_hand is not None:
        raise UsageError(
            "leads are looked at with a supply that the program sets, and a hand sets this one",
            where="--wiring",
            remedy="leave it out",
        )
    with telling(wanted=json) as tell:
        if discover or table is None:
            list_connected("@py" if table is None else table.visa, addresses, tell)
            raise typer.Exit(ExitCode.RELEASE)
        left = left_at(results, table.feed.resource)
        well = _look(table, wiring=wiring, ask=not yes, tell=tell, left=left)
    raise typer.Exit(ExitCode.RELEASE if well else ExitCode.REFUSED)


def _look(table: BenchFile, *, wiring: bool, ask: bool, tell: Teller | None, left: str) -> bool:
    """Look at a bench, and at its wiring where that is wanted; whether all is well.

    ``left`` is what the last run on it may have left there, in words.
    """
    clock = SystemClock()
    now = dt.datetime.now(dt.UTC)
    with hold_supply(table.feed.resource, serial="bench check", started=now):
        library = table.visa or "the system, or pyvisa-py"
        show((Text(table.name, style="bold"), Text(f"VISA library: {library}")))
        if left:
            show([Text(printable(left), style=_STYLES[Mark.WRONG])])
        amiss, seen = [], []
        for inspection in inspect_bench(table, clock, today=now.astimezone().date()):
            seen.append(inspection)
            name = Text.assemble((inspection.role, "bold"), f"  {inspection.resource}")
            console().print(Text(), name, sep="\n", soft_wrap=True)
            _show_findings(inspection.findings)
            amiss += [] if inspection.well else [inspection.role]
        if amiss:
            ending = Text(f"NOT READY: see {', '.join(amiss)}.", style=_STYLES[Mark.WRONG])
        else:
            count = len(table.instruments)
            ending = Text(
                f"All {count} instruments answer, and no fault was found.", style=_STYLES[Mark.OK]
            )
        show((Text(), ending, Text("Nothing was set, and nothing was switched on.")))
        well = not amiss
        found: list[Finding] | None = [] if wiring and well else None
        try:
            if found is not None:
                well = _check_wiring(table, clock, ask=ask, found=found)
        finally:
            if tell is not None:
                tell("bench", of_bench(table.name, table.visa, seen, found))
    return well


def _check_wiring(table: BenchFile, clock: SystemClock, *, ask: bool, found: list[Finding]) -> bool:
    """Look at the leads, then at the status bits, both at a low level; True where all is well."""
    stop = StopRequest()
    operator = TerminalOperator(stop) if ask else None

    def carried_out(look: Callable[..., Finding]) -> bool:
        links = open_process_bench(table, clock)
        finding = look(table, clock, links, stop.raise_if_requested)
        found.append(finding)
        _show_findings([finding])
        show([Text("Output off, and confirmed off.")])
        return finding.mark is not Mark.WRONG

    with stop_on_signals(stop):
        try:
            if not _may_check_leads(table, operator) or not carried_out(check_leads):
                return False
            if table.gives == "dc":  # an AC source has none that a unit's could be taken for
                carried_out(measure_own_capacitance)
            # Nobody can connect a resistor who is not asked.
            if operator is None or not _may_learn_status(table, operator):
                return True
            return carried_out(learn_status)
        except Tripped as error:
            show([Text(f"Power was cut: {error.trip}", style=_STYLES[Mark.WRONG])])
            raise typer.Exit(ExitCode.TRIPPED) from None
        except Interrupted as error:
            typer.echo(f"\nsoftwake: {error}; the output is off", err=True)
            raise typer.Exit(error.exit_code) from None


def _may_check_leads(table: BenchFile, operator: TerminalOperator | None) -> bool:
    level = format_quantity(low_level_v(table), "V")
    again = [Text("It comes on again, at less, for the charge of its own output capacitor.")]
    if table.gives == "ac":
        again = []
    show(heading("Check of the leads", "bold"))
    show(
        (
            Text(f"The supply gives {level}, limited to 50 mA, for a few seconds; then it is off."),
            *again,
            Text("Take the unit off first: nothing but the meter belongs across the supply."),
            Text(
                "Mains and stored charge can kill. Keep hands clear while the output is on; local "
                "codes and licensed practice come first."
            ),
        )
    )
    if operator is None or operator.confirm("Switch the output on now?"):
        return True
    typer.echo("Nothing was switched on.")
    return False


def _may_learn_status(table: BenchFile, operator: TerminalOperator) -> bool:
    """Have a resistor connected, where there are status bits; without one they are left out."""
    if "status" not in bench_dialects(table)["supply"].ask:
        return False
    least, most = (format_quantity(ohm, "ohm", 2) for ohm in resistor_ohm(table))
    question = (
        "Status bits\n"
        f"Connect a resistor of {least} to {most} across the supply, and nothing else. The supply "
        f"then gives {format_quantity(low_level_v(table), 'V')}, limited to 50 mA, for a few "
        "seconds, and switches off by its own protection; reset that at its front panel if it "
        "stays. Keep hands clear while the output is on."
    )
    if operator.place_load("resistor", question):
        return True
    typer.echo("The status bits were left out.")
    return False


def _show_findings(findings: Iterable[Finding]) -> None:
    out = console()
    for finding in findings:
        step = f"next: {finding.remedy}" if finding.remedy else ""
        lines = [
            line
            for text in (finding.text, step)
            for line in textwrap.wrap(printable(text), max(20, out.width - _INDENT))
        ]
        out.print(
            Text.assemble(
                (f"{finding.mark.value:<7}", _STYLES[finding.mark]),
                f"{finding.check:<13}",
                ("\n" + " " * _INDENT).join(lines),
            )
        )
        for line in finding.write:  # never folded, so that it can be copied
            out.print(Text(f"    {printable(line)}", style="bold"), soft_wrap=True)
