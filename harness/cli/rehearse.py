"""``softwake rehearse``: the whole run on the simulated bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.api import rehearse_profile
from harness.cli.options import HERE, Profile
from harness.cli.results import show_result
from harness.errors import UsageError
from harness.quantity import format_quantity
from harness.rehearse.faults import FAULTS
from harness.run.operator import StopRequest, stop_on_signals

#: The shipped demo: the dome-shutter power unit.
DEMO = "dome-shutter-power-unit"


def rehearse(  # noqa: PLR0913, PLR0917 - options of the command line
    profile: Profile = DEMO,
    fault: Annotated[
        str | None, typer.Option(help="Put a faulty unit on the bench; 'list' names the faults.")
    ] = None,
    unit_model: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Rehearse on this unit: a file of its component values, or a shipped one.",
        ),
    ] = None,
    seed: Annotated[
        int,
        typer.Option(help="Seed of instrument errors, noise and tolerances: same seed, same run."),
    ] = 1,
    serial: Annotated[str, typer.Option(help="Serial number for the record.")] = "REHEARSAL",
    operator: Annotated[str, typer.Option(help="Name for the record.")] = "",
    results: Annotated[Path, typer.Option(help="Folder the record goes to.")] = HERE,
    listen: Annotated[
        bool,
        typer.Option("--listen", help="Serve the simulated bench on loopback sockets instead."),
    ] = False,
    link_fault: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ROLE:NAME",
            help="With --listen: break a link; NAME+N after N messages, NAME@TEXT from a message "
            "that holds TEXT; 'list' names the faults.",
        ),
    ] = None,
    port_base: Annotated[
        int | None,
        typer.Option(min=0, max=65000, help="With --listen: first port; 0 lets the system choose."),
    ] = None,
) -> None:
    """Rehearse a profile on the simulated bench: physics, simulated time, nothing energised."""
    if fault == "list":
        _list_faults()
        return
    if link_fault and "list" in link_fault:
        from harness.rehearse.server import LINK_FAULTS

        _print_names({name: fault.summary for name, fault in LINK_FAULTS.items()})
        return
    if listen:
        from harness.cli.listen import listen as serve_bench

        serve_bench(
            profile,
            fault=fault,
            unit_model=unit_model,
            seed=seed,
            link_faults=link_fault or (),
            port_base=port_base,
        )
        return
    if link_fault or port_base is not None:
        raise UsageError(
            "a link fault or a port needs sockets",
            remedy="add --listen, and start softwake run beside",
        )
    stop = StopRequest()
    with stop_on_signals(stop):
        result = rehearse_profile(
            profile,
            fault=fault,
            model=unit_model,
            seed=seed,
            serial=serial,
            operator=operator,
            results=results,
            stop=stop,
        )
    show_result(result)
    raise typer.Exit(result.exit_code)


def _list_faults() -> None:
    _print_names(
        {
            name: f"{'/'.join(sorted(fault.kinds)):5}  {fault.summary}"
            for name, fault in FAULTS.items()
        }
    )
    typer.echo("\nSeverities a unit model may give: mild, usual, severe, or a number.")
    told = {}
    for name, fault in FAULTS.items():
        if (severity := fault.severity) is not None:
            numbers = (format_quantity(one, severity.unit) for one in severity.levels)
            late = "; may come late" if fault.onset else ""
            told[name] = f"{' / '.join(numbers)}: {severity.what}{late}"
    _print_names(told)


def _print_names(told: dict[str, str]) -> None:
    width = max(map(len, told))
    for name, text in told.items():
        typer.echo(f"{name:{width}}  {text}")
