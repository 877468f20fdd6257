"""``softwake qualify``: the error rates of a profile, over many simulated units."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.qualify.campaign import Campaign, OnProgress
    from harness.run.stop import StopRequest

__all__ = ["qualify"]


def qualify(  # noqa: PLR0913, PLR0917 - options of the command line
    profile: Annotated[str, typer.Argument(help="A profile file, or the name of a shipped one.")],
    units: Annotated[
        int, typer.Option(min=1, help="How many units: half of them healthy, half faulty.")
    ] = 1000,
    seed: Annotated[int, typer.Option(min=0, help="Same seed, same units, same answer.")] = 1,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes on this machine; left out: one a core.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for table, plot and journal; started again, it goes on there."),
    ] = None,
    fault: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Only these faults; can be given several times."),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Let a Dask cluster do the work: its scheduler."),
    ] = None,
    suggest: Annotated[  # noqa: FBT002 - an option of the command line
        bool, typer.Option("--suggest", help="Print limits from the healthy units, as TOML.")
    ] = False,
    false_reject: Annotated[
        str, typer.Option(help="With --suggest: share of healthy units a check may fail.")
    ] = "0.1 %",
) -> None:
    """Rehearse many random healthy and faulty units: false-release and false-reject rates."""
    from harness.run.stop import Interrupted, StopRequest, stop_on_signals

    share_frac = _share(false_reject)
    stop = StopRequest()
    try:
        with stop_on_signals(stop):
            campaign = _carried_out(
                profile, units, seed, workers, out, tuple(fault or ()), cluster, stop
            )
    except Interrupted as error:
        kept = f"; the same command goes on where it was ({out})" if out is not None else ""
        typer.echo(f"softwake: {error}{kept}", err=True)
        raise typer.Exit(128 + error.number) from None
    from harness.cli.qualify_table import print_campaign

    print_campaign(campaign)
    if suggest:
        from harness.qualify.suggest import propose, toml_of

        proposals = propose(campaign.profile, campaign.rows, false_reject_frac=share_frac)
        typer.echo(toml_of(proposals, false_reject_frac=share_frac))


def _share(text: str) -> float:
    """Read a share of units, such as ``0.1 %``."""
    from harness.errors import UsageError
    from harness.quantity import QuantityError, parse_quantity

    try:
        share_frac = parse_quantity(text, "%")
    except QuantityError as error:
        raise UsageError(str(error), where="--false-reject", do='write it as "0.1 %"') from None
    if not 0.0 < share_frac < 1.0:
        raise UsageError(
            f"a share of {text} says nothing", where="--false-reject", do='write "0.1 %"'
        )
    return share_frac


def _carried_out(
    profile: str,
    units: int,
    seed: int,
    workers: int | None,
    out: Path | None,
    faults: tuple[str, ...],
    cluster: str | None,
    stop: StopRequest,
) -> Campaign:
    """Carry the campaign out behind a bar that shows how far it is."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    from harness.qualify.campaign import qualify as carry_out

    bar = Progress(
        BarColumn(),
        MofNCompleteColumn(),
        "units",
        TimeRemainingColumn(),
        console=Console(stderr=True),  # what is printed can go to a file, without the bar
    )
    with bar:
        task = bar.add_task("units", total=units)

        def show(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        on_progress: OnProgress = show
        return carry_out(
            profile,
            units=units,
            seed=seed,
            workers=workers,
            out=out,
            faults=faults,
            cluster=cluster,
            on_progress=on_progress,
            stop=stop,
        )
