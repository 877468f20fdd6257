"""The tables of ``softwake qualify``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from harness.quantity import format_quantity

if TYPE_CHECKING:
    from rich.table import Table

    from harness.qualify.bounds import Share
    from harness.qualify.campaign import Campaign
    from harness.qualify.rates import ClassRates, Miss, Rates, Spread

__all__ = ["print_campaign"]

#: Longest list of what caught a class.
_CATCHERS = 3


def print_campaign(campaign: Campaign) -> None:
    """Print rates, let-through and what nothing catches; write the plot beside the journal."""
    from harness.cli.result_table import console
    from harness.qualify.rates import rates_of

    out = console()
    rates = rates_of(campaign.profile, campaign.rows)
    out.print()
    out.print(campaign.profile.title, style="bold", markup=False)
    out.print(_ends(rates))
    out.print()
    out.print(_let_through(rates))
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
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for number, column in enumerate(columns):
        table.add_column(column, justify="left" if number == 0 else "right")
    return table


def _ends(rates: Rates) -> Table:
    from harness.qualify.row import End

    table = _table("class", "units", *(end.value for end in End), "released, 95 %")
    table.add_column("caught by", overflow="fold")
    for name, one in _classes(rates):
        ends = (str(one.ends[end].count) for end in End)
        table.add_row(name, str(one.units), *ends, _bounds(one.ends[End.RELEASED]), _catchers(one))
    return table


def _classes(rates: Rates) -> Iterable[tuple[str, ClassRates]]:
    yield "healthy", rates.healthy
    for one in rates.faults:
        yield one.kind, one
    for one in rates.border:
        yield f"{one.kind}, marginal", one


def _bounds(share: Share) -> str:
    return f"{_percent(share.low_frac)} to {_percent(share.high_frac)}"


def _percent(frac: float) -> str:
    return format_quantity(frac, "%", 3)


def _catchers(one: ClassRates) -> str:
    names = [f"{name} {count}" for name, count in list(one.caught.items())[:_CATCHERS]]
    return ", ".join([*names, *(["…"] if len(one.caught) > _CATCHERS else [])])


def _let_through(rates: Rates) -> Table:
    """Median and 95 % point of what went through the fault, for faults that let any through."""
    table = _table("through the fault: half below / 95 % below", "charge", "energy", "I2t", "time")
    for name, one in _classes(rates):
        if one.i2t_a2s is None or one.charge_c is None or one.energy_j is None:
            continue
        assert one.duration_s is not None
        if name != "healthy" and one.charge_c.highest == 0.0:
            continue
        table.add_row(
            name,
            *(
                _spread(spread, unit)
                for spread, unit in (
                    (one.charge_c, "C"),
                    (one.energy_j, "J"),
                    (one.i2t_a2s, "A²s"),
                    (one.duration_s, "s"),
                )
            ),
        )
    return table


def _spread(spread: Spread, unit: str) -> str:
    return " / ".join(format_quantity(value, unit, 3) for value in (spread.median, spread.most))


def _summary(rates: Rates) -> Iterable[str]:
    from harness.qualify.row import End

    healthy, clear = rates.healthy, rates.clear
    if healthy.units:
        held = healthy.not_released
        yield (
            f"healthy, not released: {held.count} of {held.total}, at most "
            f"{_percent(held.high_frac)} (95 %, two-sided)"
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
