"""``softwake qualify``: the error rates of a profile, over many simulated units."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn
from rich.table import Column, Table

from harness.api import plan_for
from harness.cli.asking import quantity, read_option
from harness.cli.options import described
from harness.cli.tables import console, figures, table
from harness.errors import UsageError
from harness.qualify.campaign import Campaign, OnProgress, qualify_profile
from harness.qualify.plot import draw_campaign
from harness.qualify.rates import ClassRates, Rates, rates_of
from harness.qualify.unit_result import End
from harness.quantity import format_pair, format_quantity
from harness.run.operator import Interrupted, StopRequest, stop_on_signals

#: Longest list of what caught a class.
_CATCHERS = 2


@described
def qualify(  # noqa: PLR0913 - options of the command line
    profile: str,
    *,
    unit_model: str | None = None,
    units: int = 1000,
    seed: int = 1,
    workers: int | None = None,
    out: Path | None = None,
    fault: list[str] | None = None,
    cluster: str | None = None,
    suggest: bool = False,
    false_reject: str = "0.1 %",
    json: bool = False,
) -> None:
    """Rehearse many random healthy and faulty units: false-release and false-reject rates."""
    share_frac = read_option("--false-reject", false_reject, _share, 'write it as "0.1 %"')
    if suggest and json:
        raise UsageError("limits are printed as TOML, rates as JSON", remedy="leave one out")
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
        kept = "" if out is None else f"; the same command goes on where it was ({out})"
        typer.echo(f"softwake: {error}{kept}", err=True)
        raise typer.Exit(error.exit_code) from None
    if json:
        typer.echo(campaign.summary().to_json(), nl=False)
    else:
        _print_campaign(campaign)
    if suggest:
        from harness.qualify.suggest import propose, toml_of

        proposals = propose(campaign.profile, campaign.rows, false_reject_frac=share_frac)
        typer.echo(toml_of(proposals, false_reject_frac=share_frac))


def _share(text: str) -> float:
    share_frac = quantity("%", 0.0, 1.0)(text)
    if not 0.0 < share_frac < 1.0:
        raise ValueError(f"a share lies above 0 % and below 100 %, and {text} does not")
    return share_frac


@contextlib.contextmanager
def _bar(units: int) -> Iterator[OnProgress]:
    """Show how far the campaign is, from its first word on: until then there may be a mistake."""
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


def _print_campaign(campaign: Campaign) -> None:
    out = console(folded=False)
    rates = rates_of(campaign.profile, campaign.rows)
    out.print()
    out.print(campaign.profile.title, style="bold")
    cannot_release = plan_for(campaign.profile).cannot_release
    if cannot_release:
        out.print(f"{cannot_release} Counted as released here: every check passed.")
    if campaign.model is not None:
        out.print(f"units drawn around: {campaign.model.title}")
    for one in (_ends(rates), _caught(rates), _let_through(rates)):
        if one.row_count:
            out.print()
            out.print(one)
    out.print()
    for line in _summary(rates):
        out.print(line)
    if campaign.new:
        out.print(
            f"{campaign.new} units in {campaign.elapsed_s:.1f} s on {campaign.workers}: "
            f"{campaign.new / campaign.elapsed_s:.0f} a second"
        )
    if campaign.folder is not None:
        campaign.write("plot.svg", draw_campaign(campaign.profile.title, rates, campaign.rows))
        out.print(f"results: {campaign.folder}", soft_wrap=True)


def _ends(rates: Rates) -> Table:
    ends = table(_named("class"), *figures("units", *(end.value for end in End)), gap=1)
    for name, one in _classes(rates):
        counts = (one.units, *(one.ends[end].count for end in End)) if one else ()
        ends.add_row(name, *map(str, counts))
    return ends


def _caught(rates: Rates) -> Table:
    """What share was released, and what kept the others from it: the most frequent first."""
    caught = table(_named("class"), *figures("released, 95 %"), "caught by", gap=1)
    for name, one in _classes(rates):
        if one is None:
            caught.add_row(name)
            continue
        released = one.ends[End.RELEASED]
        bounds = (
            f"{_percent(released.low_frac).removesuffix(' %')} to {_percent(released.high_frac)}"
        )
        catchers = [f"{count} {catcher}" for catcher, count in one.caught.items()]
        if len(catchers) > _CATCHERS + 1:  # one more takes no more room than to say so
            catchers[_CATCHERS:] = [f"... {len(catchers) - _CATCHERS} more"]
        caught.add_row(name, bounds, "\n".join(catchers))
    return caught


def _let_through(rates: Rates) -> Table:
    """What went through the fault: half of the units below the first figure, 95 % below the second.

    Only faults that let any through; the time is that of the whole run.
    """
    names = ("charge", "energy", "I2t", "time")
    let_through = table(_named("let through: half/95 %"), *figures(*names), gap=1)
    for name, one in _classes(rates, lambda one: bool(one.charge_c and one.charge_c.highest)):
        spreads = (one.charge_c, one.energy_j, one.i2t_a2s, one.duration_s) if one else ()
        shown = (
            format_pair(spread.median, spread.most, unit, 3)
            for spread, unit in zip(spreads, ("C", "J", "A²s", "s"), strict=False)
            if spread is not None
        )
        let_through.add_row(name, *shown)
    return let_through


def _named(heading: str) -> Column:
    return Column(heading, no_wrap=True)


def _classes(
    rates: Rates, belongs: Callable[[ClassRates], bool] = lambda _: True
) -> Iterator[tuple[str, ClassRates | None]]:
    """Yield a name for each line, with its rates; None for a heading."""
    if belongs(rates.healthy):
        yield rates.healthy.kind, rates.healthy
    for heading, classes in (("clearly faulty", rates.faults), ("marginal", rates.border)):
        inside = [one for one in classes if belongs(one)]
        if inside:
            yield heading, None
        yield from ((f" {one.kind}", one) for one in inside)


def _percent(frac: float) -> str:
    return format_quantity(frac, "%", 3)


def _summary(rates: Rates) -> Iterator[str]:
    healthy, clear = rates.healthy, rates.clear
    if healthy.units:
        held, times = healthy.not_released, healthy.duration_s
        assert times is not None
        yield (
            f"healthy, not released: {held.count} of {held.total}, at most "
            f"{_percent(held.high_frac)} (95 %, two-sided)"
        )
        yield (
            f"healthy, time of a run: half of them below {format_quantity(times.median, 's', 3)}, "
            f"95 % below {format_quantity(times.most, 's', 3)}"
        )
    if clear.units:
        released = clear.ends[End.RELEASED]
        yield (
            f"clearly faulty, released: {released.count} of {released.total}, at most "
            f"{_percent(released.high_frac)}"
        )
    for miss in rates.misses:
        counted = f"{miss.released.count} of {miss.released.total}"
        beyond = miss.kind in rates.beyond
        why = ": no step of this profile can show it, so it is not counted above" if beyond else ""
        yield f"{miss.kind}: {counted} clearly faulty units released{why}"
        yield from (f"  it shows by {remedy}" for remedy in miss.remedies)
