"""The tables of faults, laws and rates, made from the published studies."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from harness.profile.load import load_profile
from harness.qualify.bounds import Share
from harness.qualify.rates import ClassRates, Miss
from harness.qualify.study import Size, Study, Sweep
from harness.qualify.unit_result import HEALTHY
from harness.quantity import format_pair, format_quantity
from harness.rehearse.fault import Fault
from harness.rehearse.faults import FAULTS
from harness.rehearse.laws import FIXED, LAWS, Laws

__all__ = ["PAGES", "STUDIES", "Studies"]

#: Units of a study of a further unit: enough to see what a fault does, not for close bounds.
_FURTHER = Size(faulty=15, healthy=90, swept=3, swept_healthy=3)
#: What is published: profile, what the tables call it, units of its study.
STUDIES = {
    "mount-controller-board": ("unit A", Size(faulty=180, healthy=450, swept=30, swept_healthy=9)),
    "mount-controller-full-release": (
        "unit A, full release",
        Size(faulty=90, healthy=390, swept=15, swept_healthy=6),
    ),
    "dome-shutter-power-unit": ("unit B", Size(faulty=180, healthy=450, swept=30, swept_healthy=9)),
    "dome-shutter-full-release": (
        "unit B, full release",
        Size(faulty=150, healthy=450, swept=30, swept_healthy=9),
    ),
    "lamp-battery-charger-full-release": ("unit C, full release", _FURTHER),
    "guide-camera-supply-full-release": ("unit D, full release", _FURTHER),
    "rotator-controller-full-release": ("unit E, full release", _FURTHER),
}
#: Those that have a column of their own where a row is a fault or a law.
_COLUMNS = tuple(name for name, (_, size) in STUDIES.items() if size is not _FURTHER)
#: Those that decide on a release; the README has them.
_RELEASES = ("mount-controller-full-release", "dome-shutter-full-release")
#: How many of what caught a fault are named.
_NAMED = 2
#: What stands where there is nothing.
_NONE = "-"

Studies = Mapping[str, Study]


def _rows(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterable[str]:
    heads = tuple(heads)
    for cells in (heads, ("---",) * len(heads), *rows):
        yield f"| {' | '.join(cells)} |"


# --- what is drawn


def _faults(_studies: Studies) -> Iterable[str]:
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


def _laws(_studies: Studies) -> Iterable[str]:
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


def _severities(_studies: Studies) -> Iterable[str]:
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


# --- what the studies came to


def _counted(one: Share) -> str:
    """Return a share as counts and bounds."""
    low, high = (format_quantity(frac, "%", 2) for frac in (one.low_frac, one.high_frac))
    return f"{one.count or 'none'} of {one.total}, {low.removesuffix(' %')} to {high}"


def _at_most(one: Share) -> str:
    return f"{one.count or 'none'} of {one.total}, at most {format_quantity(one.high_frac, '%', 2)}"


def _law(one: Sweep) -> str:
    return f"`{one.law}` {one.value:g}"


def _results(studies: Studies) -> Iterable[str]:
    heads = (
        *("profile", "healthy, not released", "under the worst law"),
        *("clearly faulty, released", "all faulty drawn, released"),
    )
    rows = []
    for name, study in studies.items():
        rates, worst = study.rates, study.worst(HEALTHY)
        rows.append(
            (
                f"{STUDIES[name][0]}, `{name}`",
                _counted(rates.healthy.not_released),
                _NONE if worst is None else f"{_counted(worst.missed)}: {_law(worst)}",
                _counted(rates.clear.released),
                _counted(rates.faulty.released),
            )
        )
    return _rows(heads, rows)


def _caught_by(one: ClassRates) -> str:
    named = list(one.caught.items())[:_NAMED]
    every = [what for what, count in named if count == one.units]
    if every:
        return f"{' and '.join(every)}: all"
    return ", ".join(f"{what}: {count}" for what, count in named) or "nothing"


def _profile(name: str) -> _Table:
    """Return the table of one profile: a row a fault, and the sums."""

    def table(studies: Studies) -> Iterable[str]:
        study = studies[name]
        rates = study.rates
        clear = {one.kind: one for one in rates.faults}
        marginal = {one.kind: one for one in rates.border}
        rows = []
        for kind in FAULTS:
            one, worst = clear.get(kind), study.worst(kind)
            if one is None and kind not in marginal:
                continue
            rows.append(
                (
                    f"`{kind}`",
                    _NONE if one is None else _caught_by(one),
                    _NONE if one is None else _counted(one.released),
                    _NONE if worst is None else f"{_counted(worst.missed)}: {_law(worst)}",
                    _counted(marginal[kind].released) if kind in marginal else _NONE,
                )
            )
        rows += [
            ("**clearly faulty**", _NONE, _counted(rates.clear.released), _NONE, _NONE),
            ("**marginal**", _NONE, _NONE, _NONE, _counted(rates.marginal.released)),
            ("**all faulty drawn**", _NONE, _counted(rates.faulty.released), _NONE, _NONE),
        ]
        return _rows(
            (
                *("fault", "caught by", "clearly faulty, released"),
                *("under the worst law", "marginal, released"),
            ),
            rows,
        )

    return table


def _read_me(studies: Studies) -> Iterable[str]:
    """Make the table of the README: the full releases, each figure under its worst law."""
    shown = [studies[name] for name in _RELEASES]
    by_kind = [{one.kind: one for one in study.rates.faults} for study in shown]

    def cell(study: Study, one: ClassRates | None) -> str:
        if one is None:
            return _NONE
        worst = study.worst(one.kind)
        released = one.released if worst is None else worst.missed
        said = f"{next(iter(one.caught), 'nothing')}; {_at_most(released)}"
        return said if worst is None else f"{said}, {_law(worst)}"

    rows = [
        (
            f"`{kind}`",
            *(cell(study, faults.get(kind)) for study, faults in zip(shown, by_kind, strict=True)),
        )
        for kind in FAULTS
        if any(kind in faults for faults in by_kind)
    ]
    sums = (
        ("**clearly faulty**", [study.rates.clear.released for study in shown]),
        ("**all faulty drawn**", [study.rates.faulty.released for study in shown]),
        ("**healthy, not released**", [study.rates.healthy.not_released for study in shown]),
    )
    rows += [(name, *map(_at_most, shares)) for name, shares in sums]
    return _rows(("fault", *(STUDIES[name][0] for name in _RELEASES)), rows)


def _gaps(studies: Studies) -> Iterable[str]:
    """Make the table of what is released: how bad it was, and what would show it."""
    profiles = {name: load_profile(name) for name in studies}
    rows = []
    for kind, fault in FAULTS.items():
        where, ways = [], dict[str, None]()
        for name, study in studies.items():
            said = [_between(fault, one) for one in study.rates.misses if one.kind == kind]
            worst = study.worst(kind)
            if worst is not None:
                said.append(f"under {_law(worst)}")
            if said:
                where.append(f"{STUDIES[name][0]} ({', '.join(said)})")
                ways |= dict.fromkeys(map(str, fault.lacking(profiles[name])))
        if where:
            rows.append((f"`{kind}`", "; ".join(where), "; ".join(ways), fault.shown_by))
    return _rows(
        ("fault", "released in", "in a profile it shows by", "by itself it shows with"), rows
    )


def _between(fault: Fault, miss: Miss) -> str:
    if miss.between is None or fault.severity is None:
        return "always"
    ends = (format_quantity(one, fault.severity.unit, 2) for one in miss.between)
    return " to ".join(dict.fromkeys(ends))


def _swept(studies: Studies) -> Iterable[str]:
    """Make the table of laws: what each end makes worse, beside the same units as usual."""
    studies = _in_columns(studies)
    rows, harmless = [], []
    for name, law in LAWS.items():
        for end in (law.least, law.most):
            found = [
                [one for one in study.sweeps if (one.law, one.value) == (name, end)]
                for study in studies.values()
            ]
            cells = [_worse(sweeps) for sweeps in found]
            if set(cells) != {_NONE}:
                usual = f"{getattr(Laws(), name):g}"
                rows.append((f"`{name}` {end:g}", usual, law.source, *cells))
            elif any(found):
                harmless.append(f"`{name}` {end:g}")
    heads = ("law", "usual", "rests on", *(STUDIES[name][0] for name in studies))
    yield from _rows(heads, rows)
    yield ""
    yield f"Swept as well, and nothing is worse: {', '.join(harmless)}."


def _worse(sweeps: Iterable[Sweep]) -> str:
    worse = [one for one in sweeps if one.missed.frac > one.usual.frac]
    return (
        "; ".join(
            f"{one.kind} {one.missed.count} of {one.missed.total} (usual {one.usual.count})"
            for one in worse
        )
        or _NONE
    )


def _by_seed(studies: Studies) -> Iterable[str]:
    """Make the table of seeds: the sums, and how well the classes agree, one by one."""
    rows = []
    for name, study in studies.items():
        kinds = [kind for kind in study.by_seed if kind != HEALTHY]
        sums = [
            (
                sum(study.by_seed[kind][place].count for kind in kinds),
                sum(study.by_seed[kind][place].total for kind in kinds),
            )
            for place in range(len(study.seeds))
        ]
        least, chance = study.agrees_least()
        counts = " / ".join(str(one.count) for one in study.by_seed[least])
        rows.append(
            (
                STUDIES[name][0],
                *(f"{count} of {total}" for count, total in sums),
                f"`{least}`: {counts} of {study.by_seed[least][0].total} each, {chance:.2g}",
            )
        )
    seeds = next(iter(studies.values())).seeds
    return _rows(("profile", *(f"seed {seed}" for seed in seeds), "seeds agree least on"), rows)


def _in_columns(studies: Studies) -> Studies:
    return {name: study for name, study in studies.items() if name in _COLUMNS}


def _let_through(studies: Studies) -> Iterable[str]:
    studies = _in_columns(studies)

    def cell(one: ClassRates) -> str:
        figures = ((one.charge_c, "C"), (one.energy_j, "J"), (one.i2t_a2s, "A²s"))
        let_through = (
            format_pair(spread.median, spread.most, unit, 2)
            for spread, unit in figures
            if spread is not None and spread.highest
        )
        return ", ".join(let_through) or _NONE

    columns = [{one.kind: one for one in each.rates.faults} for each in studies.values()]
    rows = []
    for name in FAULTS:
        cells = [cell(column[name]) if name in column else _NONE for column in columns]
        if set(cells) != {_NONE}:
            rows.append((f"`{name}`", *cells))
    return _rows(("fault", *(STUDIES[name][0] for name in studies)), rows)


_Table = Callable[[Studies], Iterable[str]]

#: Tables by the page they are on, beside this script, and by their name there.
PAGES: Mapping[str, Mapping[str, _Table]] = {
    "qualify.md": {
        "faults": _faults,
        "results": _results,
        **{STUDIES[name][0]: _profile(name) for name in STUDIES},
        "gaps": _gaps,
        "swept laws": _swept,
        "seeds": _by_seed,
        "let through": _let_through,
    },
    "simulator.md": {"severities": _severities, "laws": _laws},
    "../README.md": {"full releases": _read_me},
}
