"""``softwake bench``: find the instruments, identify them, and see whether they are well."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.bench.clock import SystemClock
    from harness.cli.prompts import TerminalOperator
    from harness.profile.bench_file import BenchFile
    from harness.run.stop import StopRequest

__all__ = ["bench"]

_WRONG, _TRIPPED = 5, 3


def bench(
    file: Annotated[str, typer.Argument(help="The bench file: instruments and how to reach them.")],
    wiring: Annotated[  # noqa: FBT002 - an option of the command line
        bool,
        typer.Option(
            "--wiring",
            help="Also set a low level, 1 V at most: compare supply and meter, and learn the "
            "supply's status bits on a resistor; energises the output.",
        ),
    ] = False,
    yes: Annotated[  # noqa: FBT002 - an option of the command line
        bool, typer.Option("--yes", help="Do not ask before the output is switched on.")
    ] = False,
) -> None:
    """Find, identify and self-check the instruments; energises nothing unless asked."""
    from harness.bench.clock import SystemClock
    from harness.bench.selfcheck import inspect_bench
    from harness.cli.bench_table import show_bench, show_ending, show_inspection
    from harness.power.lock import hold_supply
    from harness.profile.load import load_bench

    table = load_bench(file)
    clock = SystemClock()
    now = dt.datetime.now(dt.UTC)
    with hold_supply(table.supply.resource, serial="bench check", started=now):
        show_bench(table)
        seen = []
        for inspection in inspect_bench(table, clock, today=now.astimezone().date()):
            show_inspection(inspection)
            seen.append(inspection)
        well = show_ending(seen)
        if wiring and well:
            well = _check_wiring(table, clock, ask=not yes)
    raise typer.Exit(0 if well else _WRONG)


def _check_wiring(table: BenchFile, clock: SystemClock, *, ask: bool) -> bool:
    """Look at the leads, then at the status bits, both at a low level; True where all is well."""
    from harness.cli.bench_table import show_trip
    from harness.cli.prompts import TerminalOperator
    from harness.power.trip import Tripped
    from harness.run.stop import Interrupted, StopRequest, stop_on_signals

    stop = StopRequest()
    operator_actions = TerminalOperator(stop) if ask else None
    with stop_on_signals(stop):
        try:
            return _check_leads(table, clock, stop, operator_actions) and (
                operator_actions is None or _learn_status(table, clock, stop, operator_actions)
            )
        except Tripped as error:
            show_trip(error.trip)
            raise typer.Exit(_TRIPPED) from None
        except Interrupted as error:
            typer.echo(f"\nsoftwake: {error}; the output is off", err=True)
            raise typer.Exit(error.exit_code) from None


def _check_leads(
    table: BenchFile,
    clock: SystemClock,
    stop: StopRequest,
    operator_actions: TerminalOperator | None,
) -> bool:
    """Compare supply and meter; True where they agree."""
    from harness.cli.bench_table import show_caution, show_wiring
    from harness.power.keeper_client import open_process_bench
    from harness.power.leads import check_leads, low_level_v

    show_caution(low_level_v(table))
    if operator_actions is not None and not operator_actions.confirm("Switch the output on now?"):
        typer.echo("Nothing was switched on.")
        return False
    return show_wiring(
        check_leads(
            table,
            clock,
            open_process_bench(table, clock),
            raise_if_requested=stop.raise_if_requested,
        )
    )


def _learn_status(
    table: BenchFile, clock: SystemClock, stop: StopRequest, operator_actions: TerminalOperator
) -> bool:
    """Learn the supply's status bits on a resistor; without one they are left out."""
    from harness.bench.dialect import bench_dialects
    from harness.cli.bench_table import show_wiring, status_question
    from harness.power.keeper_client import open_process_bench
    from harness.power.status_bits import learn_status

    if "status" not in bench_dialects(table)["supply"].ask:
        return True
    if not operator_actions.place_load("resistor", status_question(table)):
        typer.echo("The status bits were left out.")
        return True
    return show_wiring(
        learn_status(
            table,
            clock,
            open_process_bench(table, clock),
            raise_if_requested=stop.raise_if_requested,
        )
    )
