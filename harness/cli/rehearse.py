"""``softwake rehearse``: the whole run on the simulated bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["rehearse"]

#: The shipped demo: the dome-shutter power unit.
DEMO = "dome-shutter-power-unit"


def rehearse(
    profile: Annotated[
        str, typer.Argument(help="A profile file, or the name of a shipped one.")
    ] = DEMO,
    fault: Annotated[
        str | None, typer.Option(help="Put a faulty unit on the bench; 'list' names the faults.")
    ] = None,
    seed: Annotated[
        int, typer.Option(help="Seed of instrument errors and noise: same seed, same run.")
    ] = 1,
    serial: Annotated[str, typer.Option(help="Serial number for the record.")] = "REHEARSAL",
    operator: Annotated[str, typer.Option(help="Name for the record.")] = "",
    results: Annotated[Path, typer.Option(help="Folder the record goes to.")] = Path("results"),
) -> None:
    """Rehearse a profile on the simulated bench: physics, simulated time, nothing energised."""
    if fault == "list":
        _list_faults()
        return
    from harness.cli.outcome import show_result
    from harness.run.stop import StopRequest, stop_on_signals
    from harness.wiring import rehearse_profile

    stop = StopRequest()
    with stop_on_signals(stop):
        result = rehearse_profile(
            profile,
            fault=fault,
            seed=seed,
            serial=serial,
            operator=operator,
            results=results,
            stop=stop,
        )
    show_result(result)
    raise typer.Exit(result.exit_code)


def _list_faults() -> None:
    from harness.rehearse.faults import FAULTS

    width = max(map(len, FAULTS))
    for name, fault in FAULTS.items():
        kinds = "/".join(sorted(fault.kinds))
        typer.echo(f"{name:{width}}  {kinds:5}  {fault.summary}")
