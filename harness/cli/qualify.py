"""``softwake qualify``: the error rates of a profile, over many simulated units."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import typer
from rich.table import Column, Table

from harness.api import plan_for
from harness.cli.asking import quantity, read_option
from harness.cli.documents import of_names, tell_error, telling
from harness.cli.options import described
from harness.cli.progress import progress_bar
from harness.cli.tables import console, figures, table
from harness.errors import UsageError
from harness.qualify.bounds import Share
from harness.qualify.campaign import Campaign, qualify_profile
from harness.qualify.plot import draw_campaign
from harness.qualify.rates import ClassRates, Rates, rates_of
from harness.qualify.unit_result import End
from harness.quantity import format_pair, format_quantity
from harness.rehearse.faults import FAULTS
from harness.rehearse.laws import LAWS, Laws
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
    law: list[str] | None = None,
    cluster: str | None = None,
    suggest: bool = False,
    false_reject: str = "0.1 %",
    json: bool = False,
) -> None:
    """Rehearse many random healthy and faulty units: false-release and false-reject rates."""
    share_frac = read_option("--false-reject", false_reject, _share, 'write it as "0.1 %"')
    if suggest and json:
        raise UsageError("limits are printed as TOML, rates as JSON", remedy="leave one out")
    if law == ["list"]:
        with telling(wanted=json) as tell:
            _print_laws() if tell is None else tell("names", of_names(_said_of_laws()))
        return
    laws = _laws(law or ())
    stop = StopRequest()
    try:
        with stop_on_signals(stop), progress_bar(units) as on_progress:
            campaign = qualify_profile(
                profile,
                model=unit_model,
                units=units,
                seed=seed,
                workers=workers,
                out=out,
                faults=tuple(fault or ()),
                laws=laws,
                cluster=cluster,
                on_progress=on_progress,
                stop=stop,
            )
    except Interrupted as error:
        kept = "" if out is None else f"; the same command goes on where it was ({out})"
        typer.echo(f"softwake: {error}{kept}", err=True)
        if json:
            tell_error(None, str(error), error.exit_code)
        raise typer.Exit(error.exit_code) from None
    with telling(wanted=json) as tell:
        if tell is None:
            _print_campaign(campaign)
        else:
            tell("rates", campaign.summary().as_plain())
    if suggest:
        from harness.qualify.suggest import propose, toml_of

        proposals = propose(campaign.profile, campaign.rows, false_reject_frac=share_frac)
        typer.echo(toml_of(proposals, false_reject_frac=share_frac))


def _laws(settings: Sequence[str]) -> Laws:
    laws = Laws()
    for setting in settings:
        laws = read_option(
            "--law",
            setting,
            partial(_with_law, laws),
            "write it as ripple_by_bulk=0, =least or =most; --law list names the laws",
        )
    return laws


def _with_law(laws: Laws, setting: str) -> Laws:
    """Return laws with one set as ``NAME=NUMBER`` says; ValueError: it says nothing that can be."""
    name, _, text = (part.strip() for part in setting.partition("="))
    law = LAWS.get(name)
    ends = {} if law is None else {"least": law.least, "most": law.most}
    try:
        number = ends[text] if text in ends else float(text)
    except ValueError:
        raise ValueError(f"{setting!r} is not NAME=NUMBER") from None
    return laws.but(name, number)


def _said_of_laws() -> dict[str, str]:
    return {name: f"{law.says} ({law.source})" for name, law in LAWS.items()}


def _print_laws() -> None:
    laws = table(_named("law"), *figures("usual", "least", "most"), "what its number says", gap=1)
    for name, law in LAWS.items():
        numbers = (getattr(Laws(), name), law.least, law.most)
        laws.add_row(name, *(f"{one:g}" for one in numbers), f"{law.says} ({law.source})")
    console().print(laws)


def _share(text: str) -> float:
    share_frac = quantity("%", 0.0, 1.0)(text)
    if not 0.0 < share_frac < 1.0:
        raise ValueError(f"a share lies above 0 % and below 100 %, and {text} does not")
    return share_frac


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
    out.print()
    for line in _assumed(campaign.lots[0].laws):
        out.print(line)
    if campaign.new:
        out.print(
            f"{campaign.new} units in {campaign.elapsed_s:.1f} s on {campaign.workers}: "
            f"{campaign.new / campaign.elapsed_s:.0f} a second"
        )
    if campaign.folder is not None:
        unusual = (f"{name} {number:g}" for name, number in campaign.lots[0].laws.unusual().items())
        title = ", ".join((campaign.profile.title, *unusual))
        campaign.write("plot.svg", draw_campaign(title, rates, campaign.rows))
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
    """Say what the classes come to; each sum has its parts in the tables above."""
    healthy = rates.healthy
    if healthy.units:
        held, times = healthy.not_released, healthy.duration_s
        assert times is not None
        yield f"healthy, not released: {_counted(held)}"
        yield (
            f"healthy, time of a run: half of them below {format_quantity(times.median, 's', 3)}, "
            f"95 % below {format_quantity(times.most, 's', 3)}"
        )
    if rates.faulty.units:
        yield f"clearly faulty, released: {_counted(rates.clear.released)}"
        yield f"all faulty, released: {_counted(rates.faulty.released)}"
        yield "bounds: exact, 95 %, two-sided; a sum depends on which faults are drawn"
    for miss in rates.misses:
        yield ""
        yield f"{miss.kind}: {miss.released.count} of {miss.released.total} clearly faulty released"
        severity = FAULTS[miss.kind].severity
        if severity is not None and miss.between is not None:
            ends = (format_quantity(one, severity.unit, 2) for one in miss.between)
            yield f"  released ones: {severity.what}: {' to '.join(dict.fromkeys(ends))}"
        if miss.kind in rates.beyond:
            yield "  no step of this profile can show it"
        yield from (f"  it shows by {remedy}" for remedy in miss.remedies)
        yield f"  on the part by itself: {miss.shown_by}"


def _counted(one: Share) -> str:
    """Return a share as counts and bounds."""
    low = _percent(one.low_frac).removesuffix(" %")
    return f"{one.count} of {one.total}, {low} to {_percent(one.high_frac)}"


def _assumed(laws: Laws) -> Iterator[str]:
    """Say under which laws the units were drawn."""
    for name, number in laws.unusual().items():
        yield f"law {name} at {number:g}, not {getattr(Laws(), name):g}: {LAWS[name].says}"
    assumed = sum(law.is_assumed for law in LAWS.values())
    yield f"The figures rest on {assumed} assumptions about such units; --law changes one."
