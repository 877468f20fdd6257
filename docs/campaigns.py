"""The published campaigns, and the tables of faults and rates that are made from them.

``python docs/campaigns.py`` writes the tables from the summaries stored in ``docs/campaigns/``.
``python docs/campaigns.py --run`` carries the campaigns out first and stores what they came to; a
run that was stopped goes on where it was, by its journal in ``results/campaigns/``. A test compares
the page with the stored summaries.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from harness.qualify.campaign import qualify_profile
from harness.qualify.rates import ClassRates, Summary
from harness.qualify.unit_result import End
from harness.quantity import format_pair, format_quantity
from harness.rehearse.fault import Fault
from harness.rehearse.faults import FAULTS
from harness.rehearse.laws import FIXED, LAWS, Laws

__all__ = ["PAGES", "stored", "with_tables"]

ROOT = Path(__file__).parents[1]
FOLDER = Path(__file__).parent / "campaigns"

#: What is published: profile, what the tables call it, units of its campaign. Seed 1.
CAMPAIGNS = {
    "mount-controller-board": ("unit A", 10_000),
    "mount-controller-full-release": ("unit A, full release", 8400),
    "dome-shutter-power-unit": ("unit B", 10_000),
    "dome-shutter-full-release": ("unit B, full release", 8200),
}
#: How many of what caught a fault are named.
_NAMED = 2
#: What stands where there is nothing.
_NONE = "-"


def stored() -> dict[str, Summary]:
    """Return the stored summaries by the name of the profile."""
    return {
        name: Summary.from_json((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
        for name in CAMPAIGNS
    }


def with_tables(page: str, text: str, summaries: Mapping[str, Summary]) -> str:
    """Return a page with its tables made from summaries; each stands between two comments."""
    for name, table in PAGES[page].items():
        before, head, rest = text.partition(f"<!-- table: {name} -->\n")
        _, end, after = rest.partition("<!-- end -->")
        assert end, f"no place for the table {name!r}"
        lines = "".join(f"{line}\n" for line in table(summaries))
        text = f"{before}{head}\n{lines}\n{end}{after}"
    return text


def _rows(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterable[str]:
    heads = tuple(heads)
    for cells in (heads, ("---",) * len(heads), *rows):
        yield f"| {' | '.join(cells)} |"


def _faults(_summaries: Mapping[str, Summary]) -> Iterable[str]:
    return _rows(
        ("fault", "drawn from", "clearly faulty", "by", "by itself it shows with"),
        (
            (
                f"`{name}`",
                _drawn_from(fault),
                fault.border.text,
                fault.border.source,
                fault.shown_by,
            )
            for name, fault in FAULTS.items()
        ),
    )


def _laws(_summaries: Mapping[str, Summary]) -> Iterable[str]:
    usual = Laws()
    yield from _rows(
        ("law", "what its number says", "usual", "swept", "rests on"),
        (
            (
                f"`{name}`",
                law.says,
                f"{getattr(usual, name):g}",
                f"{law.least:g} to {law.most:g}",
                f"**{law.source}**" if law.is_assumed else law.source,
            )
            for name, law in LAWS.items()
        ),
    )
    yield ""
    yield "Taken as they are, with no number to sweep:"
    yield ""
    yield from (f"- {text}" for text in FIXED)


def _drawn_from(fault: Fault) -> str:
    severity = fault.severity
    if severity is None:
        return "there or not"
    mild, _, severe = (format_quantity(one, severity.unit) for one in severity.levels)
    decades = ", by decades" if severity.by_decades else ""
    return f"{severity.what}: {mild} to {severe}{decades}"


def _severities(_summaries: Mapping[str, Summary]) -> Iterable[str]:
    return _rows(
        ("fault", "severity", "mild", "usual", "severe", "may come late"),
        (
            (
                f"`{name}`",
                fault.severity.what,
                *(format_quantity(one, fault.severity.unit) for one in fault.severity.levels),
                "yes" if fault.onset else "no",
            )
            for name, fault in FAULTS.items()
            if fault.severity is not None
        ),
    )


def _results(summaries: Mapping[str, Summary]) -> Iterable[str]:
    heads = (
        "profile",
        "units",
        "healthy, not released (goal: below 1 %)",
        "clearly faulty, released (goal: below 0.1 %)",
        "left out: cannot show",
    )
    rows = []
    for name, summary in summaries.items():
        rates = summary.rates
        shares = (rates.healthy.not_released, rates.clear.ends[End.RELEASED])
        said = (
            f"{one.count or 'none'} of {one.total}, "
            f"at most {format_quantity(one.high_frac, '%', 2)}"
            for one in shares
        )
        beyond = ", ".join(f"`{one}`" for one in rates.beyond) or "none"
        rows.append((f"{CAMPAIGNS[name][0]}, `{name}`", f"{summary.units:,}", *said, beyond))
    return _rows(heads, rows)


def _by_fault(
    summaries: Mapping[str, Summary], cell: Callable[[ClassRates], str], *, marginal: bool = False
) -> Iterable[str]:
    """Make a table with a row a fault and a column a campaign."""
    columns = [
        {one.kind: one for one in (each.rates.border if marginal else each.rates.faults)}
        for each in summaries.values()
    ]
    rows = []
    for name in FAULTS:
        cells = [cell(column[name]) if name in column else _NONE for column in columns]
        if set(cells) != {_NONE}:
            rows.append((f"`{name}`", *cells))
    return _rows(("fault", *(CAMPAIGNS[name][0] for name in summaries)), rows)


def _caught(summaries: Mapping[str, Summary]) -> Iterable[str]:
    def cell(one: ClassRates) -> str:
        named = list(one.caught.items())[:_NAMED]
        every = [what for what, count in named if count == one.units]
        if every:
            return f"{' and '.join(every)}, all of {one.units}"
        if not named:
            return f"nothing: all {one.units} released"
        return f"{', '.join(f'{what} {count}' for what, count in named)} of {one.units}"

    return _by_fault(summaries, cell)


def _marginal(summaries: Mapping[str, Summary]) -> Iterable[str]:
    return _by_fault(
        summaries, lambda one: f"{one.ends[End.RELEASED].count} of {one.units}", marginal=True
    )


def _let_through(summaries: Mapping[str, Summary]) -> Iterable[str]:
    def cell(one: ClassRates) -> str:
        figures = ((one.charge_c, "C"), (one.energy_j, "J"), (one.i2t_a2s, "A²s"))
        let_through = (
            format_pair(spread.median, spread.most, unit, 2)
            for spread, unit in figures
            if spread is not None and spread.highest
        )
        return ", ".join(let_through) or _NONE

    return _by_fault(summaries, cell)


_Table = Callable[[Mapping[str, Summary]], Iterable[str]]

#: Tables by the page they are on and by their name there.
PAGES: Mapping[str, Mapping[str, _Table]] = {
    "qualify.md": {
        "faults": _faults,
        "results": _results,
        "caught": _caught,
        "marginal": _marginal,
        "let through": _let_through,
    },
    "simulator.md": {"severities": _severities, "laws": _laws},
}


def _run(units: int | None) -> None:
    FOLDER.mkdir(exist_ok=True)
    for name, (_, usual) in CAMPAIGNS.items():
        out = ROOT / "results" / "campaigns" / f"{name}-{units or usual}"
        campaign = qualify_profile(name, units=units or usual, seed=1, out=out)
        text = campaign.summary().to_json()
        (FOLDER / f"{name}.json").write_text(text, encoding="utf-8", newline="\n")


def main() -> None:
    """Write the tables, after the campaigns where they are asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--run", action="store_true", help="carry the campaigns out first")
    parser.add_argument("--units", type=int, help="with --run: so many in each, to try it")
    given = parser.parse_args()
    if given.run:
        _run(given.units)
    summaries = stored()
    for page in PAGES:
        path = FOLDER.parent / page
        text = with_tables(page, path.read_text(encoding="utf-8"), summaries)
        path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
