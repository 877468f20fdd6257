"""How well the suspects of units in other topologies are named, which ngspice computed."""

from __future__ import annotations

import hashlib
import math
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from harness.api import simulated_bench_file
from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.suspects.bench_errors import BENCH_ERRORS
from harness.suspects.digest import REACHED, TRIP
from harness.suspects.library import Library
from harness.suspects.population import Member
from harness.suspects.ranking import ranked
from tests.suspects import spice_played_ac, spice_units, spice_units_ac
from tests.suspects.study_units import KEPT, keep

HERE = Path(__file__).parent


def outside_units(profile: Profile) -> list[Member]:
    """Return the units that ngspice computes, faulty ones and sound ones; kept between calls."""
    plans = list(_outside_plans(profile))
    text = "".join(path.read_text(encoding="utf-8") for path in sorted(HERE.glob("spice_*.py")))
    digest = hashlib.sha256(text.encode()).hexdigest()[:12]
    path = KEPT / f"{profile.source}-ngspice-{digest}.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    for kind, severity, made in plans[len(lines) :]:
        with tempfile.TemporaryDirectory() as folder:
            circuit = made(Path(folder))
        error = BENCH_ERRORS.get(kind)
        bench = simulated_bench_file(profile)
        misread = None if error is None else error.misread(bench, severity)
        features, ended = spice_units.carried_out(profile, circuit, misread)
        member = Member(
            kind=kind, severity=math.nan, passed=ended == "pass", features=features, cold={}
        )
        lines.append(member.to_line())
        keep(path, lines[-1])
    return [Member.from_line(line) for line in lines]


def _outside_plans(
    profile: Profile,
) -> Iterator[tuple[str, float, Callable[[Path], spice_units.MakeCircuit]]]:
    """Yield class and severity of each unit, and what computes it in a folder."""
    if profile.unit.input.kind == "dc":
        for kind, topology, parts in spice_units.units():
            yield kind, math.nan, partial(_dc, parts, topology)
        for topology in (0, 1):
            yield HEALTHY, math.nan, partial(_dc, spice_units.Parts(), topology)
        return
    for kind, severity, ac_parts in spice_units_ac.ac_units():
        yield kind, severity, partial(_ac, ac_parts)
    for ac_parts in spice_units_ac.sound_units():
        yield HEALTHY, math.nan, partial(_ac, ac_parts)


def _dc(parts: spice_units.Parts, topology: int, folder: Path) -> spice_units.MakeCircuit:
    return spice_units.played(spice_units.computed(parts, topology, folder), parts)


def _ac(parts: spice_units_ac.AcParts, folder: Path) -> spice_units.MakeCircuit:
    return spice_played_ac.ac_played(spice_played_ac.ac_computed(parts, folder))


def asked_about(library: Library, outside: Sequence[Member]) -> list[tuple[str, Member]]:
    """Return the faulty units, each with what it should be named."""
    counts_as = dict(zip(library.kinds.tolist(), library.suspects.tolist(), strict=True))
    return [(counts_as[one.kind], one) for one in outside if one.kind != HEALTHY]


def named_outside(library: Library, outside: Sequence[Member]) -> tuple[float, float]:
    """Return how often the right suspect comes first, and among three, in other topologies."""
    asked = asked_about(library, outside)
    hits: Counter[str] = Counter()
    for true, one in asked:
        names = [each.name for each in ranked(library, one.features).suspects]
        hits["first"] += names[0] == true
        hits["three"] += true in names[:3]
    return hits["first"] / len(asked), hits["three"] / len(asked)


def plain_forest_outside(library: Library, outside: Sequence[Member]) -> tuple[float, float]:
    """Return the same of a plain random forest on checks, reason and level alone."""
    from sklearn.ensemble import RandomForestClassifier

    columns = [
        index
        for index, name in enumerate(library.names)
        if name.startswith(("check ", TRIP)) or name == REACHED
    ]
    names = [library.names[index] for index in columns]
    forest = RandomForestClassifier(300, random_state=1)
    forest.fit(np.nan_to_num(library.values[:, columns], nan=-1e3), library.suspects)
    asked = asked_about(library, outside)
    rows = [[one.features.get(name, -1e3) for name in names] for _, one in asked]
    order = np.argsort(-forest.predict_proba(np.array(rows)), axis=1)
    true = [name for name, _ in asked]
    first = [forest.classes_[row[0]] == name for row, name in zip(order, true, strict=True)]
    three = [name in forest.classes_[row[:3]] for row, name in zip(order, true, strict=True)]
    return float(np.mean(first)), float(np.mean(three))
