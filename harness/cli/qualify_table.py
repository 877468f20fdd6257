"""The tables of ``softwake qualify``."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

from harness.quantity import format_quantity

if TYPE_CHECKING:
    from rich.table import Table

    from harness.qualify.bounds import Share
    from harness.qualify.campaign import Campaign
    from harness.qualify.rates import ClassRates, Miss, Rates, Spread

__all__ = ["print_campaign"]

#: Longest list of what caught a class.
_CATCHERS = 2


def print_campaign(campaign: Campaign) -> None:
    """Print rates, let-through and what nothing catches; write the plot beside the journal."""
    from harness.cli.screen import console
    from harness.qualify.rates import rates_of

    out = console(folded=False)
    rates = rates_of(campaign.profile, campaign.rows)
    out.print()
    out.print(campaign.profile.title, style="bold", markup=False)
    if campaign.model is not None:
        out.print(f"units drawn around: {campaign.model.title}", markup=False)
    for table in (_ends(rates), _caught(rates), _let_through(rates)):
        if table.row_count:
            out.print()
            out.print(table)
    out.print()
    for line in _summary(rates):
        out.print(line, markup=False)
    for miss in rates.misses:
        for line in _miss(miss, beyond=miss.kind in rates.beyond):
            out.print(line, markup=False)
    if campaign.new:
        speed = campaign.new / campaign.elapsed_s
        out.print(
            f"{campaign.new} units in {campaign.elapsed_s:.1f} s on {campaign.workers}: "
            f"{speed:.0f} a second",
            markup=False,
        )
    if campaign.folder is not None:
        out.print(f"results: {_written(campaign, rates)}", markup=False, soft_wrap=True)


def _written(campaign: Campaign, rates: Rates) -> str:
    """Write the plot and return the folder."""
    from harness.errors import RecordError
    from harness.qualify.plot import draw_campaign

    assert campaign.folder is not None
    path = campaign.folder / "plot.svg"
    try:
        path.write_text(
            draw_campaign(campaign.profile.title, rates, campaign.rows),
            encoding="utf-8",
            newline="\n",
        )
    except OSError as error:
        raise RecordError(f"it cannot be written: {error.strerror}", where=str(path)) from error
    return str(campaign.folder)


def _table(*columns: str) -> Table:
    """Return a table whose first column is text and whose others are figures."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
    for number, column in enumerate(columns):
        table.add_column(column, justify="left" if number == 0 else "right", no_wrap=True)
    return table


def _ends(rates: Rates) -> Table:
    """How the units of each class ended."""
    from harness.qualify.unit_result import End

    table = _table("class", "units", *(end.value for end in End))
    for name, one in _classes(rates):
        counts = (one.units, *(one.ends[end].count for end in End)) if one else ()
        table.add_row(name, *map(str, counts))
    return table


def _caught(rates: Rates) -> Table:
    """What share was released, and what kept the others from it: the most frequent first."""
    from harness.qualify.unit_result import End

    table = _table("class", "released, 95 %")
    table.add_column("caught by")
    for name, one in _classes(rates):
        if one is None:
            table.add_row(name)
            continue
        catchers = [f"{count} {catcher}" for catcher, count in one.caught.items()]
        if len(catchers) > _CATCHERS + 1:  # one more takes no more room than to say so
            catchers[_CATCHERS:] = [f"... {len(catchers) - _CATCHERS} more"]
        table.add_row(name, _bounds(one.ends[End.RELEASED]), "\n".join(catchers))
    return table


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
        for one in inside:
            yield f" {one.kind}", one


def _bounds(share: Share) -> str:
    """Return bounds in per cent, the sign once."""
    return f"{_percent(share.low_frac).removesuffix(' %')} to {_percent(share.high_frac)}"


def _percent(frac: float) -> str:
    return format_quantity(frac, "%", 3)


def _let_through(rates: Rates) -> Table:
    """What went through the fault: half of the units below the first figure, 95 % below the second.

    Only faults that let any through; the time is that of the whole run.
    """
    table = _table("let through: half/95 %", "charge", "energy", "I2t", "time")
    for name, one in _classes(rates, lambda one: bool(one.charge_c and one.charge_c.highest)):
        spreads = (one.charge_c, one.energy_j, one.i2t_a2s, one.duration_s) if one else ()
        table.add_row(name, *map(_spread, spreads, ("C", "J", "A²s", "s")))
    return table


def _spread(spread: Spread | None, unit: str) -> str:
    """Return two figures, both in the unit that suits the second."""
    assert spread is not None
    most = format_quantity(spread.most, unit, 3)
    shown = float(most.split()[0])
    prefix = 10.0 ** round(math.log10(spread.most / shown)) if shown else 1.0
    return f"{format_quantity(spread.median / prefix, '1', 3)}/{most}"


def _summary(rates: Rates) -> Iterable[str]:
    from harness.qualify.unit_result import End

    healthy, clear = rates.healthy, rates.clear
    if healthy.units:
        held = healthy.not_released
        yield (
            f"healthy, not released: {held.count} of {held.total}, at most "
            f"{_percent(held.high_frac)} (95 %, two-sided)"
        )
        assert healthy.duration_s is not None
        half, most = healthy.duration_s.median, healthy.duration_s.most
        yield (
            f"healthy, time of a run: half of them below {format_quantity(half, 's', 3)}, 95 % "
            f"below {format_quantity(most, 's', 3)}"
        )
    if clear.units:
        released = clear.ends[End.RELEASED]
        yield (
            f"clearly faulty, released: {released.count} of {released.total}, at most "
            f"{_percent(released.high_frac)}"
        )


def _miss(miss: Miss, *, beyond: bool) -> Iterable[str]:
    counted = f"{miss.released.count} of {miss.released.total}"
    why = ": no step of this profile can show it, so it is not counted above" if beyond else ""
    yield f"{miss.kind}: {counted} clearly faulty units released{why}"
    for remedy in miss.remedies:
        yield f"  it shows by {remedy}"
