"""Limits by name, for a unit of some class: ``shared/limits.toml``, or a local table."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from harness.errors import did_you_mean
from harness.files.field_types import Name, Seconds, Table, Volts, mistaken, read_quantity
from harness.files.named_file import FromFile
from harness.quantity import shown
from harness.unit.nameplate import Unit
from harness.unit.reference import shared_table

_Class = Literal["I", "II", "III"]
_SupplyKind = Literal["ac-dc", "low voltage", "multi-output"]
_LimitUnit = Literal["V", "A", "W", "ohm", "s", "Hz", "degC", "1", "%"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Limits of a check, either of which may be None, and where they come from."""

    unit: str  # of both; ``%`` for a share of one
    low: float | None
    high: float | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DischargeLimit:
    """Voltage that stored charge has to fall below after power off, and the time it may take."""

    below_v: float
    within_s: float
    source: str


class _Row(Table):
    """A limit by protection class."""

    name: Name
    classes: tuple[_Class, ...] = Field(default=("I", "II", "III"), alias="class", min_length=1)
    unit: _LimitUnit | None = None
    low: float | None = None
    high: float | None = None
    below_v: Volts | None = None
    within_s: Seconds | None = None
    source: Name = Field(examples=['"works rule 7, 2026"'])

    @field_validator("low", "high", mode="before")
    @classmethod
    def _in_unit(cls, limit: object, info: ValidationInfo) -> float | None:
        unit = info.data.get("unit")
        if limit is None or "unit" not in info.data:
            return None
        if unit is None:
            raise mistaken(f"the limit {shown(limit)} needs its unit beside it", 'unit = "ohm"')
        return read_quantity(limit, unit)

    @model_validator(mode="after")
    def _one_kind(self) -> _Row:
        checks = (self.low is not None) or (self.high is not None)
        times = (self.below_v is not None) + (self.within_s is not None)
        if checks + (times > 0) != 1 or times == 1:
            raise mistaken(
                f"limit {self.name!r} needs low or high, or else both below and within",
                'high = "0.3 ohm"',
            )
        if self.low is not None and self.high is not None and self.low > self.high:
            raise mistaken(f"the upper limit of {self.name!r} is below the lower limit")
        return self


class _Piece(Table):
    """One piece of a limit that follows from output power; without ``up_to_w`` the last."""

    up_to_w: float = Field(default=math.inf, alias="up_to_w")
    logarithm: float = 0.0
    linear: float = 0.0
    constant: float


class _SupplyRow(Table):
    """A limit of an external power supply."""

    name: Name
    kind: _SupplyKind
    bound: Literal["low", "high"]
    unit: Literal["%", "W"]
    source: Name
    pieces: tuple[_Piece, ...] = Field(min_length=1)

    def at(self, power_w: float) -> float:
        """Return the limit for an output power in watts."""
        reaching = (piece for piece in self.pieces if power_w <= piece.up_to_w)
        piece = next(reaching, self.pieces[-1])
        return piece.logarithm * math.log(power_w) + piece.linear * power_w + piece.constant


class LimitTable(FromFile):
    """A table of limits; a ``LookupError`` says in a sentence why there is none of a name."""

    title: Name  # what it is called in the record
    limit: tuple[_Row, ...] = ()  # by protection class; the first that fits counts
    supply: tuple[_SupplyRow, ...] = ()  # for external power supplies

    def of_check(self, name: str, unit: Unit) -> Limit:
        """Return the limits of a name for a unit."""
        for row in self._rows(name, unit):
            if row.unit is None:
                raise LookupError(f"the limit {name!r} is for a discharge step")
            return Limit(unit=row.unit, low=row.low, high=row.high, source=row.source)
        rows = [row for row in self.supply if row.name == name]
        if not rows:
            raise LookupError(self._no_such(name, unit))
        kind = supply_kind(unit)
        if kind is None:
            raise LookupError(f"the limit {name!r} is for a supply with AC input and DC outputs")
        for supply in rows:
            if supply.kind == kind:
                value = supply.at(unit.output_power_w)
                low, high = (value, None) if supply.bound == "low" else (None, value)
                return Limit(unit=supply.unit, low=low, high=high, source=supply.source)
        raise LookupError(f"the limit {name!r} has no row for {kind}")

    def of_discharge(self, name: str, unit: Unit) -> DischargeLimit:
        """Return voltage and time of a name for a unit."""
        for row in self._rows(name, unit):
            if row.below_v is None or row.within_s is None:
                raise LookupError(f"the limit {name!r} has no below and within")
            return DischargeLimit(below_v=row.below_v, within_s=row.within_s, source=row.source)
        raise LookupError(self._no_such(name, unit))

    def _rows(self, name: str, unit: Unit) -> Iterator[_Row]:
        fitting = unit.protection_class
        return (row for row in self.limit if row.name == name and fitting in row.classes)

    def _no_such(self, name: str, unit: Unit) -> str:
        names = (*(row.name for row in self.limit), *(row.name for row in self.supply))
        known = dict.fromkeys(names)
        if name in known:
            return f"the limit {name!r} has no row for protection class {unit.protection_class}"
        hint = did_you_mean(name, known) or f"; there are {', '.join(known)}"
        return f"there is no limit {name!r}{hint}"


def supply_kind(unit: Unit) -> _SupplyKind | None:
    """Return the kind of external power supply, or None.

    Source: EU 2019/1782: low voltage is below 6 V and 550 mA or more.
    """
    outputs = list(unit.output.values())
    if unit.input.kind != "ac" or {output.kind for output in outputs} != {"dc"}:
        return None
    if len(outputs) > 1:
        return "multi-output"
    low = outputs[0].nominal_v < 6.0 and outputs[0].current_a >= 0.55
    return "low voltage" if low else "ac-dc"


@cache
def shipped_limits() -> LimitTable:
    """Return the table that comes with the harness; read once."""
    return LimitTable.model_validate(shared_table("limits"))
