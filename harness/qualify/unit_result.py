"""One unit of a campaign: what it was, how its run ended, and what was measured."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
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
    """One judged check of a run, as :class:`harness.record.sink.CheckRow` has it."""

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
    """One unit."""

    #: Its number in the campaign, from 0.
    index: int
    #: ``healthy``, or the name of its fault.
    kind: str
    #: In the fault's own unit; not-a-number for a healthy unit and a fault that has no degrees.
    severity: float
    #: Whether a technician who saw the fault would reject the unit without a doubt.
    clear: bool
    #: Of instrument errors, noise and intermittent faults.
    seed: int
    end: End
    #: Why power was cut, and in which step and level; empty where it was not.
    trip: str
    step: str
    level: str
    #: How the run ended, in a sentence.
    reason: str
    #: On the run's clock.
    duration_s: float
    #: Through the fault path.
    charge_c: float
    energy_j: float
    i2t_a2s: float
    #: At the end.
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
        """Return the row of a line that :meth:`to_line` wrote; ValueError: it is none of its."""
        try:
            row = dict(zip(cls.__slots__, json.loads(line), strict=True))
            checks = tuple(Judged(*one) for one in row.pop("checks"))
            return cls(end=End(row.pop("end")), checks=checks, **row)
        except (TypeError, KeyError) as error:
            raise ValueError(f"no row: {error}") from error


#: Columns of ``units.csv``, without those of the checks.
COLUMNS = (
    *("unit", "class", "severity", "clear", "seed", "end", "caught_by", "trip_step", "trip_level"),
    *("duration_s", "charge_c", "energy_j", "i2t_a2s", "fuse_open"),
)
#: What a column is called in a row, where that is something else.
_FIELDS = {"unit": "index", "class": "kind", "trip_step": "step", "trip_level": "level"}


def _cells(row: UnitResult) -> dict[str, str | float]:
    """Return a row by :data:`COLUMNS`, then the value of each check that was reached."""
    cells = {name: getattr(row, _FIELDS.get(name, name)) for name in COLUMNS}
    cells |= {"end": row.end.value, "caught_by": "; ".join(row.caught_by)}
    return cells | {one.name: one.value for one in row.checks}


def csv_text(rows: Sequence[UnitResult]) -> str:
    """Return the table of a campaign: one row a unit, lines ended by a line feed.

    A check that was not reached, and the severity of a fault without one, are empty fields.
    """
    # A share is written as one: 0.87 under "%" would mislead.
    units = {one.name: "1" if one.unit == "%" else one.unit for row in rows for one in row.checks}
    lines = [header([*COLUMNS, *(word(f"{name} ({unit})") for name, unit in units.items())])]
    for cells in map(_cells, rows):
        fields = (_field(cells.get(name, math.nan)) for name in (*COLUMNS, *units))
        lines.append(",".join(fields) + "\n")
    return "".join(lines)


def frame_of(rows: Sequence[UnitResult]) -> pd.DataFrame:
    """Return the same as a frame: checks under ``step: check`` in SI, not-a-number for empty."""
    import pandas as pd

    return pd.DataFrame(map(_cells, rows))


def _field(value: str | float) -> str:
    if isinstance(value, str):
        return word(value)
    if isinstance(value, int):
        return str(value).lower()
    return "" if math.isnan(value) else number(value)
