"""One unit of a campaign: what it was, how its run ended, and what was measured."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from harness.record.csv_text import header, number, word

if TYPE_CHECKING:
    import pandas as pd

#: What the class of a unit without a fault is called.
HEALTHY = "healthy"


class End(StrEnum):
    """How a unit's run ended, for counting: each unit ends in exactly one way."""

    RELEASED = "released"
    REJECTED = "rejected"
    UNDECIDED = "undecided"
    TRIPPED = "tripped"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Judged:
    """One judged check of a run.

    Attributes:
        step: Name of the step.
        check: Name of the check.
        quantity: What was measured.
        unit: Its SI unit.
        value: What was found; not-a-number where there was none.
        uncertainty: Its expanded uncertainty.
        verdict: ``pass``, ``fail`` or ``undecided``.
    """

    step: str
    check: str
    quantity: str
    unit: str
    value: float
    uncertainty: float
    verdict: str

    @property
    def name(self) -> str:
        """Step and check in one: the name of its column."""
        return f"{self.step}: {self.check}"


@dataclass(frozen=True, kw_only=True, slots=True)
class UnitResult:
    """One unit.

    Attributes:
        index: Its number in the campaign, from 0.
        kind: ``healthy``, or the name of its fault.
        severity: How bad the fault is, in the fault's own unit; not-a-number for a healthy unit and
            for a fault that has no degrees.
        clear: Whether a technician who saw the fault would reject the unit without a doubt.
        seed: Seed of instrument errors, noise and intermittent faults.
        end: How its run ended.
        trip: Why power was cut, or empty.
        step: Name of the step in which power was cut, or empty.
        level: Label of the level in which it was cut, or empty.
        reason: How the run ended, in a sentence.
        duration_s: Time on the run's clock.
        charge_c: Charge through the fault path.
        energy_j: Energy in it.
        i2t_a2s: Integral of the squared current through it.
        fuse_open: Whether the unit's fuse is open at the end.
        checks: Every judged check, in order.
    """

    index: int
    kind: str
    severity: float
    clear: bool
    seed: int
    end: End
    trip: str
    step: str
    level: str
    reason: str
    duration_s: float
    charge_c: float
    energy_j: float
    i2t_a2s: float
    fuse_open: bool
    checks: tuple[Judged, ...]

    @property
    def caught_by(self) -> tuple[str, ...]:
        """What kept it from release: the trip, the checks that failed, else those undecided."""
        if self.trip:
            return (self.trip,)
        for verdict in ("fail", "undecided"):
            names = tuple(one.name for one in self.checks if one.verdict == verdict)
            if names:
                return names
        return (self.end.value,) if self.end is not End.RELEASED else ()

    def to_line(self) -> str:
        """Return it as one line of JSON, every number to the last digit."""
        return json.dumps(astuple(self), separators=(",", ":")) + "\n"

    @classmethod
    def from_line(cls, line: str) -> UnitResult:
        """Return the row of a line that :meth:`to_line` wrote.

        Raises:
            ValueError: The line is none of its.
        """
        try:
            row = dict(zip(cls.__slots__, json.loads(line), strict=True))
            checks = tuple(Judged(*one) for one in row.pop("checks"))
            return cls(end=End(row.pop("end")), checks=checks, **row)
        except (TypeError, KeyError) as error:
            raise ValueError(f"no row: {error}") from error


#: Columns of ``units.csv``, without those of the checks, and what stands in them.
_FIELDS = {
    "unit": "index",
    "class": "kind",
    "severity": "severity",
    "clear": "clear",
    "seed": "seed",
    "end": "end",
    "caught_by": "caught_by",
    "trip_step": "step",
    "trip_level": "level",
    "duration_s": "duration_s",
    "charge_c": "charge_c",
    "energy_j": "energy_j",
    "i2t_a2s": "i2t_a2s",
    "fuse_open": "fuse_open",
}
COLUMNS = tuple(_FIELDS)

#: What stands in a field; an ``int`` or ``bool`` is one as well.
_Cell = str | float


def _cells(row: UnitResult, checks: Iterable[str]) -> list[_Cell]:
    """Return a row in the order of :data:`COLUMNS`, then the value of each check (or nan)."""
    fields = {name: getattr(row, name) for name in _FIELDS.values()}
    fields |= {"end": row.end.value, "caught_by": "; ".join(row.caught_by)}
    values = {one.name: one.value for one in row.checks}
    return [*fields.values(), *(values.get(name, math.nan) for name in checks)]


def _check_columns(rows: Iterable[UnitResult]) -> dict[str, str]:
    """Return name and SI unit of every check that was judged, in the order they were met."""
    return {one.name: one.unit for row in rows for one in row.checks}


def csv_text(rows: Sequence[UnitResult]) -> str:
    """Return the table of a campaign: one row a unit, lines ended by a line feed.

    A check that was not reached, and the severity of a fault without one, are empty fields.
    """
    checks = _check_columns(rows)
    # A share is written as one: 0.87 under "%" would mislead.
    units = {name: "1" if unit == "%" else unit for name, unit in checks.items()}
    names = (*COLUMNS, *(word(f"{name} ({unit})") for name, unit in units.items()))
    lines = (",".join(map(_field, _cells(row, checks))) + "\n" for row in rows)
    return "".join([header(names), *lines])


def frame_of(rows: Sequence[UnitResult]) -> pd.DataFrame:
    """Return the table of a campaign as a frame.

    Columns are :data:`COLUMNS`, then the value of each check under ``step: check``, in its SI unit;
    a check that was not reached, and the severity of a fault without one, are not-a-number.
    """
    import pandas as pd

    checks = _check_columns(rows)
    return pd.DataFrame([_cells(row, checks) for row in rows], columns=[*COLUMNS, *checks])


def _field(value: _Cell) -> str:
    if isinstance(value, str):
        return word(value)
    if isinstance(value, int):
        return str(value).lower()
    return "" if math.isnan(value) else number(value)
