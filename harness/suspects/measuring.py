"""Which measurement without power tells most, and what its result says."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import UsageError, did_you_mean
from harness.qualify.unit_result import HEALTHY
from harness.quantity import parse_quantity
from harness.report.explained import EXAMPLES
from harness.suspects.cold import MEASUREMENTS, NO, OPEN_OHM, YES, ColdMeasurement
from harness.suspects.forest import Floats
from harness.suspects.library import FLOOR, Library
from harness.suspects.ranking import Ranking

#: Width of a kernel, of a class's scatter and the fifth root of its number (Silverman 1986).
_SILVERMAN = 1.06
#: Standard deviation of what a measurement reads against the library, of its natural logarithm:
#: instrument, leads and tolerances of the unit at hand (assumption).
_SPREAD = 0.25
#: Chance that a result says nothing: a wrong pair of terminals, a slip (assumption).
_SLIP = 0.02
#: What setting up any measurement takes (common practice).
_SET_UP_MIN = 3.0
#: Classes of which is said what they would read, and the least chance of one.
_NAMED, _NAMED_FRAC = 3, 2e-3
#: Below this expected information nothing more is worth measuring, in bits.
LEAST_BITS = 0.1
_SMALLEST = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """What may be measured next, with what it would tell."""

    name: str
    how: str
    unit: str  # empty for a question
    work_min: float
    danger: float
    bits: float  # expected information
    #: By class, the likeliest first: what its units read there, least and most.
    expected: tuple[tuple[str, float, float], ...]

    @property
    def worth(self) -> float:
        """Expected information for each minute of work, danger counted as work."""
        return worth(self.bits, self.work_min, self.danger)


def worth(bits: float, work_min: float, danger: float) -> float:
    """Return expected information for each minute of work, danger counted as work."""
    return bits / (_SET_UP_MIN + work_min * danger)


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """A result of a measurement without power."""

    measurement: ColdMeasurement
    value: float

    @classmethod
    def parse(cls, text: str) -> Found:
        """Read ``resistance across input = 12 ohm``, ``... = open`` or ``fan ... = no``.

        Raises:
            UsageError: There is no such measurement, or this is no result of it.
        """
        name, equals, result = (part.strip() for part in text.partition("="))
        names = {one.name: one for one in MEASUREMENTS}
        known = names.get(" ".join(name.casefold().split()))
        if known is None:
            hint = did_you_mean(name, names) or f"; there are {', '.join(names)}"
            raise UsageError(
                f"there is no measurement {name!r}{hint}",
                where="--found",
                remedy='write it as "resistance across input = 12 ohm"',
            )
        if not equals or not result:
            raise UsageError(
                f"no result is given for {known.name!r}",
                where="--found",
                remedy=f'write it as "{known.name} = {EXAMPLES[known.unit]}"',
            )
        return cls(measurement=known, value=_result(known, result))


def taken_up(before: Iterable[tuple[str, float]], now: Sequence[Found]) -> tuple[Found, ...]:
    """Return what was found so far, by name and value, and now; a second result of one counts."""
    known = {one.name: one for one in MEASUREMENTS}
    found = {
        name: Found(measurement=known[name], value=value) for name, value in before if name in known
    }
    found |= {one.measurement.name: one for one in now}
    return tuple(found.values())


def _result(measurement: ColdMeasurement, text: str) -> float:
    value = _value(measurement.unit, text)
    if value is None:
        wanted = "yes or no"
        if measurement.unit:
            wanted = f"a value with its unit, such as {EXAMPLES[measurement.unit]}"
        raise UsageError(
            f"{text!r} is no result of {measurement.name!r}",
            where="--found",
            remedy=f"give {wanted}" + (", or open" if measurement.unit == "ohm" else ""),
        )
    return value


def _value(unit: str, text: str) -> float | None:
    word = text.casefold()
    if not unit:
        return {"yes": YES, "no": NO}.get(word)
    if unit == "ohm" and word in ("open", "overload"):
        return OPEN_OHM
    try:
        value = parse_quantity(text, unit)
    except ValueError:
        return None
    return value if 0.0 <= value < math.inf else None


def reads_of(library: Library, measurement: ColdMeasurement) -> Floats:
    """Return by unit of the library what it reads in a measurement without power."""
    names = [one.name for one in MEASUREMENTS]
    reads: Floats = library.cold[:, names.index(measurement.name)]
    return reads


def agreement(library: Library, found: Sequence[Found]) -> Floats:
    """Return by unit of the library how well it agrees with what was found."""
    agreed = np.ones(len(library.kinds))
    for one in found:
        reads = reads_of(library, one.measurement)
        if one.measurement.unit:
            gap = (_log(reads) - _log(np.array(one.value))) / _SPREAD
            likely = np.exp(-0.5 * gap**2)
        else:
            likely = (reads == one.value).astype(float)
        likely = np.where(np.isfinite(reads), likely, 1.0)
        agreed *= _SLIP + (1.0 - _SLIP) * likely
    return agreed


def _log(values: Floats) -> Floats:
    logs: Floats = np.log(np.maximum(values, _SMALLEST))
    return logs


def proposals(
    library: Library, ranking: Ranking, made: Sequence[Found] = (), agreed: Floats | None = None
) -> tuple[Proposal, ...]:
    """Return the measurements that tell suspects apart, the one worth most first.

    Source: expected information of an experiment, D. V. Lindley, Annals of Mathematical Statistics
    27 (1956): entropy before less mean entropy after.
    """
    chances = unit_chances(library, ranking, agreed)
    # what no reading of the bench tells apart, a measurement on the part may
    kinds = np.where(library.suspects == HEALTHY, HEALTHY, library.kinds)
    names = sorted(set(kinds.tolist()), key=lambda name: -float(chances[kinds == name].sum()))
    by_kind = np.array([kinds == name for name in names])
    before = entropy(by_kind @ chances)
    done = {one.measurement.name for one in made}
    found = []
    for column, measurement in enumerate(MEASUREMENTS):
        reads = library.cold[:, column]
        if measurement.name in done or not np.isfinite(reads).all():
            continue
        after = float(chances @ _entropies(_by_reading(reads, measurement, by_kind, chances)))
        bits = max(0.0, before - after)
        if bits >= LEAST_BITS:
            told = tuple(
                (name, float(np.min(reads[own])), float(np.max(reads[own])))
                for name, own in zip(names[:_NAMED], by_kind, strict=False)
                if chances[own].sum() >= _NAMED_FRAC
            )
            found.append(
                Proposal(
                    name=measurement.name,
                    how=measurement.how,
                    unit=measurement.unit,
                    work_min=measurement.minutes,
                    danger=measurement.danger,
                    bits=bits,
                    expected=told,
                )
            )
    return tuple(sorted(found, key=lambda one: -one.worth))


def unit_chances(library: Library, ranking: Ranking, agreed: Floats | None = None) -> Floats:
    """Return by unit of the library the chance that the run's unit is like it; sums to one."""
    chances = np.zeros(len(library.kinds))
    agreed = np.ones(len(chances)) if agreed is None else agreed
    for one in ranking.suspects:
        own = library.suspects == one.name
        floor = FLOOR * library.share[own] / library.share[own].sum()
        near = (ranking.weights[own] + floor) * agreed[own]
        chances[own] = one.probability * near / near.sum()
    total: Floats = chances / chances.sum()
    return total


def _by_reading(
    reads: Floats, measurement: ColdMeasurement, by_kind: NDArray[np.bool_], chances: Floats
) -> Floats:
    """Return by class (rows) its chance where each unit's reading (columns) was found.

    What units of a class read is smoothed by a kernel as wide as its few units ask for (B. W.
    Silverman, Density Estimation, 1986, eq. 3.28), and never narrower than a reading is known: else
    a class would be told by where its units happen to lie.
    """
    dense = np.zeros(by_kind.shape)
    logs = _log(reads)
    for number, own in enumerate(by_kind):
        if measurement.unit:
            scatter = float(np.std(logs[own]))
            width = max(_SPREAD, _SILVERMAN * scatter * float(own.sum()) ** -0.2)
            gaps = (logs[np.newaxis, :] - logs[own][:, np.newaxis]) / width
            near = np.exp(-0.5 * gaps**2) / width
        else:
            near = (reads[np.newaxis, :] == reads[own][:, np.newaxis]).astype(float)
        dense[number] = chances[own] @ near
    whole: Floats = dense / np.maximum(dense.sum(axis=0), _SMALLEST * _SMALLEST)
    return whole


def _entropies(chances: Floats) -> Floats:
    """Return the entropy of each column, in bits."""
    logs = np.log2(np.where(chances > 0.0, chances, 1.0))
    found: Floats = -(chances * logs).sum(axis=0)
    return found


def entropy(chances: Floats) -> float:
    """Return the entropy of chances that sum to one, in bits."""
    there = chances[chances > 0.0]
    return -float((there * np.log2(there)).sum())
