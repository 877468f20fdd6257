"""``softwake qualify``: the error rates of a profile, over many simulated units."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.qualify.campaign import OnProgress

__all__ = ["qualify"]


def qualify(  # noqa: PLR0913, PLR0917 - options of the command line
    profile: Annotated[str, typer.Argument(help="A profile file, or the name of a shipped one.")],
    unit_model: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Draw the units around this one: a file of its component values, or a shipped "
            "one. A value with a tolerance is drawn inside it, one without stays, and what the "
            "file leaves out spreads as among all such units. It may list no faults.",
        ),
    ] = None,
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
    from harness.qualify.campaign import qualify_profile
    from harness.run.stop import Interrupted, StopRequest, stop_on_signals

    share_frac = _share(false_reject)
    stop = StopRequest()
    try:
        with stop_on_signals(stop), _bar(units) as on_progress:
            campaign = qualify_profile(
                profile,
                model=unit_model,
                units=units,
                seed=seed,
                workers=workers,
                out=out,
                faults=tuple(fault or ()),
                cluster=cluster,
                on_progress=on_progress,
                stop=stop,
            )
    except Interrupted as error:
        kept = f"; the same command goes on where it was ({out})" if out is not None else ""
        typer.echo(f"softwake: {error}{kept}", err=True)
        raise typer.Exit(error.exit_code) from None
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
        raise UsageError(str(error), where="--false-reject", remedy='write it as "0.1 %"') from None
    if not 0.0 < share_frac < 1.0:
        raise UsageError(
            f"a share of {text} says nothing", where="--false-reject", remedy='write "0.1 %"'
        )
    return share_frac


@contextlib.contextmanager
def _bar(units: int) -> Iterator[OnProgress]:
    """Show how far the campaign is, from its first word on: until then there may be a mistake."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    bar = Progress(
        BarColumn(),
        MofNCompleteColumn(),
        "units",
        TimeRemainingColumn(),
        console=Console(stderr=True),  # what is printed can go to a file, without the bar
    )
    task = bar.add_task("units", total=units)

    def show(done: int, total: int) -> None:
        bar.start()
        bar.update(task, completed=done, total=total)

    try:
        yield show
    finally:
        if bar.live.is_started:
            bar.stop()
