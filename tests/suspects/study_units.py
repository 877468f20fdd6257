"""Units that no library knows: of other seeds, with two faults, with tolerances twice as wide.

They are kept in ``results/suspects-study``, so that the same call goes on where it was.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path

from harness.api import simulated_bench_file
from harness.profile.schema import Profile
from harness.qualify.population import TOLERANCES, Drawn, Mix, Population
from harness.qualify.worker import Place
from harness.rehearse.faults import FAULTS
from harness.rehearse.laws import Laws
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.suspects.digest import Digest
from harness.suspects.population import Member, laws_of, run_members
from harness.suspects.stock import Stock

KEPT = Path(__file__).resolve().parents[2] / "results" / "suspects-study"


def units(profile: Profile, seed: int, each: int, *, reach: float) -> list[Member]:
    """Return units as a library has them, of a seed of their own; kept between calls."""
    bench = simulated_bench_file(profile)
    stock = Stock(
        profile=profile, bench=bench, seed=seed, law_reach=reach, key=f"{profile.source} {reach}"
    )
    path = KEPT / f"{profile.source}-{seed}-{reach:g}.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    for index in range(len(lines), each * len(stock.kinds)):
        lines += run_members(stock, [index])
        keep(path, lines[-1])
    return [Member.from_line(line) for line in lines[: each * len(stock.kinds)]]


def keep(path: Path, line: str) -> None:
    """Add a line to a file of units."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8", newline="\n") as file:
        file.write(line)


def with_and_without(
    profile: Profile, name: str, pairs: Sequence[tuple[str, ...]]
) -> list[tuple[Member, ...]]:
    """Return of each pair of faults one unit with both, the first, the second, and neither."""
    parts = (
        made(profile, name, [pair[begin:end] for pair in pairs], wide=False, kept_as=kept_as)
        for begin, end, kept_as in (
            (0, 2, name),
            (0, 1, f"{name}-first"),
            (1, 2, f"{name}-second"),
            (2, 2, f"{name}-none"),
        )
    )
    return list(zip(*parts, strict=True))


def made(
    profile: Profile,
    name: str,
    plans: Sequence[tuple[str, ...]],
    *,
    wide: bool,
    kept_as: str = "",
) -> list[Member]:
    """Return units with these faults, each with all of its plan at once; kept between calls.

    A unit of a name and number is the same whatever faults it has.
    """
    path = KEPT / f"{profile.source}-{kept_as or name}.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    place = Place(profile)
    for index in range(len(lines), len(plans)):
        drawn, laws = _drawn(profile, name, index, plans[index], wide=wide)
        digest = Digest(f"unit-{index}")
        result, _ = place.carry_out(drawn, digest, laws=laws)
        member = Member(
            kind=drawn.kind,
            severity=drawn.severity,
            passed=result.trip is None and result.verdict.value == "pass",
            features={key: one.value for key, one in digest.features().items()},
            cold={},
        )
        lines.append(member.to_line())
        keep(path, lines[-1])
    return [Member.from_line(line) for line in lines[: len(plans)]]


def _drawn(
    profile: Profile, name: str, index: int, kinds: tuple[str, ...], *, wide: bool
) -> tuple[Drawn, Laws]:
    seed = stream(77, name, index).getrandbits(53)
    laws = Laws() if wide else laws_of(seed)
    model = Population(profile.unit, seed=seed, laws=laws, mix=Mix.HEALTHY).draw(0).model
    if wide:
        model = _twice_as_wide(model, typical_model(profile.unit, laws))
    severity = math.nan
    for kind in kinds:
        of = FAULTS[kind].severity
        number = None if of is None else of.at(stream(seed, kind).random())
        model = FAULTS[kind].apply(model, severity=number)
        severity = math.nan if number is None else number
    told = Drawn(
        index=index, kind="+".join(kinds), severity=severity, clear=True, seed=seed, model=model
    )
    return told, laws


def _twice_as_wide(model: UnitModel, typical: UnitModel) -> UnitModel:
    """Return a unit whose every value is twice as far from the typical one; none turns negative."""
    changed = {}
    for part, names in TOLERANCES.items():
        values, usual = getattr(model, part), getattr(typical, part)
        if values is None:
            continue
        known = {one.name for one in fields(values)}
        changed[part] = replace(
            values,
            **{
                name: max(
                    2 * getattr(values, name) - getattr(usual, name), 0.1 * getattr(usual, name)
                )
                for name in names
                if name in known
            },
        )
    return replace(model, **changed)
