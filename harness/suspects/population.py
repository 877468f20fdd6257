"""The units of a library: each class in turn, with its tolerances, under laws drawn for each."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from harness.judge.verdict import Verdict
from harness.qualify.population import Drawn, Mix, Population
from harness.qualify.unit_result import HEALTHY
from harness.record.run_summary import Outcome
from harness.rehearse.laws import LAWS, Laws
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel
from harness.suspects.bench_errors import BENCH_ERRORS, Misread, severity_at
from harness.suspects.cold import Seen, readings
from harness.suspects.digest import Digest
from harness.suspects.stock import LAW_REACH, Stock

if TYPE_CHECKING:
    from harness.qualify.worker import Place


def laws_of(seed: int, reach: float = LAW_REACH) -> Laws:
    """Return laws for one unit: each number drawn between its usual one and an end of its range."""
    usual, drawn = Laws(), {}
    for name, law in LAWS.items():
        rng = stream(seed, "law", name)
        number = getattr(usual, name)
        end = law.least if rng.random() < 0.5 else law.most
        share = reach * rng.random()
        if number > 0.0 and end > 0.0:
            drawn[name] = number * (end / number) ** share
        else:
            drawn[name] = number + share * (end - number)
    return Laws(**drawn)


@dataclass(frozen=True, slots=True)
class Member:
    """One unit of a library: what it was, and the figures of its run."""

    kind: str
    #: In the class's own measure; not-a-number where there is none.
    severity: float
    #: Whether every check passed.
    passed: bool
    features: Mapping[str, float]
    #: What it reads without power, by the name of the measurement.
    cold: Mapping[str, float]

    def to_line(self) -> str:
        """Return it as one line of JSON."""
        return json.dumps(astuple(self), separators=(",", ":")) + "\n"

    @classmethod
    def from_line(cls, line: str) -> Member:
        """Return the unit of a line that :meth:`to_line` wrote; ValueError: it is none of its."""
        try:
            return cls(*json.loads(line))
        except TypeError as error:
            raise ValueError(f"no unit: {error}") from error


@dataclass(frozen=True, kw_only=True, slots=True)
class One:
    """One unit, drawn."""

    drawn: Drawn
    laws: Laws
    misread: Misread
    #: The unit without what a mistake at the bench makes of it.
    alone: UnitModel


def draw(stock: Stock, kind: str, place: int) -> One:
    """Return one unit of a class by its place in it: the same one, whoever asks and when."""
    seed = stream(stock.seed, "library", kind, place).getrandbits(53)
    laws = laws_of(seed, stock.law_reach)
    error = BENCH_ERRORS.get(kind)
    is_whole = error is not None or kind == HEALTHY
    population = Population(
        stock.profile.unit,
        seed=seed,
        faults=() if is_whole else (kind,),
        laws=laws,
        mix=Mix.HEALTHY if is_whole else Mix.FAULTY,
    )
    drawn = population.draw(0)
    if error is None:
        return One(drawn=drawn, laws=laws, misread={}, alone=drawn.model)
    severity = severity_at(error.severity, stream(seed, "severity").random())
    changed = Drawn(
        index=place,
        kind=kind,
        severity=severity,
        clear=True,
        seed=drawn.seed,
        model=error.change(drawn.model, severity),
    )
    misread = error.misread(stock.bench, severity)
    return One(drawn=changed, laws=laws, misread=misread, alone=drawn.model)


def run_members(stock: Stock, indices: Iterable[int]) -> list[str]:
    """Carry units of a stock through the engine, in a worker; return a line for each.

    Units are numbered so that the classes take turns.
    """
    place, kinds = _place(stock), stock.kinds
    lines = []
    for index in indices:
        kind = kinds[index % len(kinds)]
        one = draw(stock, kind, index // len(kinds))
        digest = Digest(f"unit-{index}")
        result, _ = place.carry_out(one.drawn, digest, laws=one.laws, misread=one.misread)
        member = Member(
            kind=kind,
            severity=one.drawn.severity,
            passed=result.outcome is Outcome.COMPLETED and result.verdict is Verdict.PASS,
            features={name: each.value for name, each in digest.features().items()},
            cold=readings(
                Seen(
                    kind=kind,
                    severity=one.drawn.severity,
                    model=one.drawn.model,
                    alone=one.alone,
                )
            ),
        )
        lines.append(member.to_line())
    return lines


@lru_cache(maxsize=2)
def _place(stock: Stock) -> Place:
    # engine, keeper and instruments: not for an answer from a library at hand
    from harness.qualify.worker import Place

    return Place(stock.profile, stock.bench)
