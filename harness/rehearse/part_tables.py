"""What the file of a unit model says of each part, and the part with that in place."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Annotated, Any, ClassVar, Generic, TypeVar, get_origin, get_type_hints

from pydantic import AfterValidator, Field, create_model

from harness.files.field_types import Flag, Fraction, Table, Volts, mistaken
from harness.rehearse.boost_stage import Boost
from harness.rehearse.charge_parts import Battery, ChargeStage
from harness.rehearse.streams import stream
from harness.rehearse.unit_parts import (
    Bulk,
    Converter,
    Fuse,
    InrushLimiter,
    Key,
    Rectifier,
    Varistor,
)
from harness.rehearse.work import Work

_PartT = TypeVar(
    "_PartT",
    Fuse,
    Varistor,
    Rectifier,
    InrushLimiter,
    Bulk,
    Converter,
    Boost,
    Work,
    ChargeStage,
    Battery,
)


def _tolerance(value: float) -> float:
    if value >= 1.0:
        raise mistaken("a tolerance stays below 100 %", '"20 %"')
    return value


def _some_left(value: float) -> float:
    if not 0.005 <= value <= 1.0:
        raise mistaken("what is left is from 0.5 % to 100 %", '"80 %"')
    return value


#: How far a value may be from the one printed, up and down.
_Tolerance = Annotated[Fraction, AfterValidator(_tolerance), Field(examples=['"20 %"'])]


class PartTable(Table, Generic[_PartT]):
    """What a file says of a part: ``PartTable[Fuse]`` has the keys of a fuse."""

    #: The field that has a tolerance, where one has.
    toleranced: ClassVar[str] = ""

    @classmethod
    def __class_getitem__(cls, part: Any) -> Any:
        """Return the table with a key for each field of a part that a file may state."""
        keys: dict[str, Any] = {}
        toleranced = ""
        for name, hint in get_type_hints(part, include_extras=True).items():
            if get_origin(hint) is not Annotated:
                continue
            key = next((each for each in hint.__metadata__ if isinstance(each, Key)), Key())
            if key.needed:
                keys[name] = hint, Field(alias=key.name)
            else:
                keys[name] = hint | None, Field(default=None, alias=key.name)
            if key.tolerance:
                toleranced = name
                keys["tolerance_frac"] = _Tolerance | None, None
        table = create_model(f"{part.__name__}Table", __base__=cls, __module__=__name__, **keys)
        table.toleranced = toleranced
        return table

    @property
    def said(self) -> dict[str, Any]:
        """What the file says, by the names of the part's fields."""
        return self.model_dump(exclude_unset=True)

    @property
    def stated(self) -> frozenset[str]:
        """Fields of the part that the file gives, or gives a tolerance."""
        extra = dict.fromkeys(("tolerance_frac", "capacitance_left_frac"), self.toleranced)
        return frozenset(extra.get(name, name) for name in self.said)

    def filled(self, part: _PartT) -> _PartT:
        """Return a part with what the file says in place."""
        names = {field.name for field in fields(part)}
        return replace(part, **{name: value for name, value in self.said.items() if name in names})

    def drawn(self, part: _PartT, seed: int, which: str = "") -> _PartT:
        """Return a part as the file says, the value that has a tolerance drawn inside it.

        ``which`` one it is, where a unit has several of a kind; empty for the only or first one.
        """
        part, name = self.filled(part), self.toleranced
        drawn = stream(seed, "unit model", which or type(part).__name__, name)
        share = drawn.uniform(-1.0, 1.0)
        tolerance_frac = self.said.get("tolerance_frac", 0.0)
        return replace(part, **{name: getattr(part, name) * (1.0 + tolerance_frac * share)})


FuseTable = PartTable[Fuse]
RectifierTable = PartTable[Rectifier]
InrushLimiterTable = PartTable[InrushLimiter]
ConverterTable = PartTable[Converter]
BoostTable = PartTable[Boost]
WorkTable = PartTable[Work]
ChargeStageTable = PartTable[ChargeStage]


class VaristorTable(PartTable[Varistor]):
    """What a file says of a varistor."""

    fitted: Flag = True


class BulkTable(PartTable[Bulk]):
    """What a file says of a bulk capacitor."""

    #: Age: share of the capacitance that is left. Series resistance rises as much.
    capacitance_left_frac: Annotated[Fraction, AfterValidator(_some_left)] | None = None


class BatteryTable(PartTable[Battery]):
    """What a file says of the battery that is connected to a charger: its EMF by two points."""

    empty_v: Volts | None = None
    full_v: Volts | None = None

    def curve(self, typical: Battery) -> tuple[tuple[float, float], ...]:
        """Return EMF by state of charge; beyond full it goes on as that of the typical one."""
        (empty_frac, empty_v), (full_frac, full_v), *beyond = typical.curve
        empty_v = empty_v if self.empty_v is None else self.empty_v
        moved_v = 0.0 if self.full_v is None else self.full_v - full_v
        last = ((frac, volts + moved_v) for frac, volts in beyond)
        return ((empty_frac, empty_v), (full_frac, full_v + moved_v), *last)
