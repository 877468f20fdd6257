"""The file of a unit model, and the simulated unit of it: the one on the bench, not any one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar, get_origin, get_type_hints

from pydantic import AfterValidator, Field, ValidationInfo, create_model, field_validator

from harness.errors import FileError
from harness.files.config_error import ConfigError, as_mistakes
from harness.files.field_types import Flag, Fraction, Name, Table, key_of, mistaken
from harness.files.named_file import MODEL, FromFile, read_named, validated
from harness.files.toml_positions import KeyPath
from harness.rehearse.fault_table import FaultTable
from harness.rehearse.faults import FAULTS
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import Onset, UnitModel, typical_model
from harness.rehearse.unit_parts import (
    Bulk,
    Converter,
    Fuse,
    InrushLimiter,
    Key,
    Rectifier,
    Varistor,
)
from harness.unit.nameplate import Unit

_PartT = TypeVar("_PartT", Varistor, Rectifier, InrushLimiter, Bulk, Converter)


def _fields(part: type) -> Mapping[str, tuple[Any, Key]]:
    """Return type and key of each field of a part that a file may state."""
    fields = {}
    for name, hint in get_type_hints(part, include_extras=True).items():
        if get_origin(hint) is Annotated:
            given = next((each for each in hint.__metadata__ if isinstance(each, Key)), Key())
            fields[name] = hint, given._replace(name=given.name or key_of(name))
    return fields


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

#: Tables of the file that fill in parts of the typical unit.
_PARTS: dict[str, type] = {
    part.__name__.lower(): part for part in (Fuse, Varistor, Rectifier, Bulk, Converter)
}
#: What a file may state of each part.
_FIELDS: dict[type, Mapping[str, tuple[Any, Key]]] = {
    part: _fields(part) for part in (*_PARTS.values(), InrushLimiter)
}


def _table(part: type, needed: str = "", **more: Any) -> type[Table]:
    """Return the table of what may be said of a part, and more; only one field is ``needed``."""
    fields: dict[str, Any] = {}
    for name, (hint, key) in _FIELDS[part].items():
        must = name == needed
        default = Field(alias=key.name) if must else Field(default=None, alias=key.name)
        fields[name] = hint if must else hint | None, default
        if key.tolerance:
            fields["tolerance_frac"] = _Tolerance | None, None
    name = f"{part.__name__}Table"
    return create_model(name, __base__=Table, __module__=__name__, **fields, **more)


if TYPE_CHECKING:  # made from the parts at run time: to the type checker they are any tables
    FuseTable = Table
    VaristorTable = Table
    RectifierTable = Table
    InrushLimiterTable = Table
    BulkTable = Table
    ConverterTable = Table
else:
    FuseTable = _table(Fuse)
    VaristorTable = _table(Varistor, fitted=(Flag, True))
    RectifierTable = _table(Rectifier)
    InrushLimiterTable = _table(InrushLimiter, needed="cold_ohm")
    ConverterTable = _table(Converter)
    BulkTable = _table(
        Bulk,
        # Age: share of the capacitance that is left. Series resistance rises as much.
        left_frac=(
            Annotated[Fraction, AfterValidator(_some_left)] | None,
            Field(default=None, alias="capacitance_left"),
        ),
    )


class UnitModelFile(FromFile):
    """A unit model that knows the file it came from."""

    #: Says which unit this is.
    title: Name = Field(examples=['"Dome-shutter power unit"'])
    input: Literal["dc", "ac"] = Field(examples=['"ac"'])
    fuse: FuseTable = FuseTable()
    varistor: VaristorTable = VaristorTable()
    rectifier: RectifierTable = RectifierTable()
    inrush_limiter: InrushLimiterTable | None = None  #: None: it counts as warm and constant
    bulk: BulkTable = BulkTable()
    converter: ConverterTable = ConverterTable()
    faults: tuple[FaultTable, ...] = ()

    @field_validator("rectifier")
    @classmethod
    def _fixed_drop(cls, value: RectifierTable, info: ValidationInfo) -> RectifierTable:
        if info.data.get("input") == "dc" and "emission_v" in _said(value):
            raise mistaken("the diode of a DC input has a fixed drop: leave emission_voltage out")
        return value

    @field_validator("bulk")
    @classmethod
    def _both_of_forming(cls, value: BulkTable) -> BulkTable:
        if len({"forming_ohm", "forming_s"} & _said(value).keys()) == 1:
            raise mistaken(
                "forming_leakage and forming_time belong together",
                'forming_leakage = "20 kohm", forming_time = "30 s"',
            )
        return value

    def unit(self, nameplate: Unit, *, seed: int = 1) -> UnitModel:
        """Return the simulated unit.

        A value with a tolerance is drawn inside it, the same for the same seed, every value as
        likely as any other; one without stands as it is. What the file leaves out is typical of the
        nameplate.

        Raises:
            FileError: It does not fit the nameplate.

        Source: Where only bounds are known, any value inside is as likely: JCGM 100:2008, 4.3.7.
        """
        kind = nameplate.input.kind
        if self.input != kind:
            raise self._mistake(("input",), f"the profile's unit has {kind.upper()} input", kind)
        typical = typical_model(nameplate)
        rectifier = _filled(typical.rectifier, self.rectifier)
        bulk_v = nameplate.input.nominal_v * nameplate.input.peak_factor - rectifier.drop_v
        varistor = limiter = None
        if typical.varistor is not None and _said(self.varistor)["fitted"]:
            varistor = _drawn(typical.varistor, self.varistor, seed)
        if self.inrush_limiter is not None:
            limiter = InrushLimiter(cold_ohm=_said(self.inrush_limiter)["cold_ohm"])
            limiter = _drawn(limiter, self.inrush_limiter, seed)
        model = UnitModel(
            input_kind=typical.input_kind,
            fuse=self._fuse(typical.fuse),
            varistor=varistor,
            rectifier=replace(rectifier, limiter=limiter),
            bulk=self._bulk(typical.bulk, bulk_v, seed),
            converter=self._converter(typical.converter, bulk_v, seed),
        )
        for at, table in enumerate(self.faults):
            fault = FAULTS[table.kind]
            if self.input not in fault.kinds:
                wrong = f"no unit with {self.input.upper()} input has it"
                raise self._mistake(("faults", at, "kind"), wrong)
            onset = Onset(time_s=table.onset_s or 0.0, voltage_v=table.onset_v or 0.0)
            model = fault.apply(model, severity=table.severity, onset=onset)
        return model

    @property
    def stated(self) -> Mapping[str, frozenset[str]]:
        """Fields of the unit model that the file gives, or gives a tolerance, by their part."""
        stated = {}
        for name, part in _PARTS.items():
            said = _said(getattr(self, name)).keys()
            fields = _FIELDS[part].keys() & said
            if "tolerance_frac" in said:
                fields.add(_toleranced(part))
            if "left_frac" in said:
                fields.add("capacitance_f")
            stated[name] = frozenset(fields)
        return stated

    def refuse_faults(self, why: str) -> None:
        """Refuse a unit model that lists faults, where only a sound unit makes sense.

        Raises:
            FileError: It lists some; ``why`` says what to do.
        """
        if self.faults:
            raise self._mistake(("faults", 0, "kind"), why)

    def _fuse(self, typical: Fuse) -> Fuse:
        said = _said(self.fuse)
        rating_a = said.get("rating_a", typical.rating_a)
        fuse = Fuse.time_lag(rating_a, melting_i2t_a2s=said.get("melting_i2t_a2s"))
        return replace(fuse, resistance_ohm=said.get("resistance_ohm", fuse.resistance_ohm))

    def _bulk(self, typical: Bulk, bulk_v: float, seed: int) -> Bulk:
        said = _said(self.bulk)
        printed_f = said.get("capacitance_f", typical.capacitance_f)
        printed = replace(typical, nominal_capacitance_f=printed_f, forming_v=bulk_v)
        new = _drawn(printed, self.bulk, seed)
        if "left_frac" not in said:
            return new
        left_frac = said["left_frac"]
        return replace(new.aged(left_frac), capacitance_f=left_frac * new.capacitance_f)

    def _converter(self, typical: Converter, bulk_v: float, seed: int) -> Converter:
        said = _said(self.converter)
        converter = _drawn(replace(typical, nominal_bulk_v=bulk_v), self.converter, seed)
        if "start_v" in said and "stop_v" not in said:
            converter = replace(converter, stop_v=0.8 * converter.start_v)
        if converter.stop_v >= converter.start_v:
            raise self._mistake(
                ("converter", "stop" if "stop_v" in said else "start"),
                f"it would stop at {converter.stop_v:g} V and start at {converter.start_v:g} V; "
                "stop below start",
            )
        return converter

    def _mistake(self, path: KeyPath, problem: str, value: str = "") -> FileError:
        slip = ConfigError(path, problem, f'"{value}"' if value else "")
        return FileError(as_mistakes([slip], self.source, self.text))


def load_unit_model(source: str | Path) -> UnitModelFile:
    """Load a unit model: a TOML file, or else a shipped one by its name.

    Raises:
        FileError: With every mistake in the file.
    """
    return validated(read_named(source, MODEL), UnitModelFile)


def _said(table: Table) -> dict[str, Any]:
    """Return what a table of the file says, by the names of the part's fields."""
    return {name: value for name, value in table if value is not None}


def _filled(part: _PartT, table: Table) -> _PartT:
    """Return a part with what the file says in place."""
    said = _said(table)
    return replace(part, **{name: said[name] for name in _FIELDS[type(part)] if name in said})


def _toleranced(part: type) -> str:
    """Return the field of a part that its tolerance is for."""
    return next(name for name, (_, key) in _FIELDS[part].items() if key.tolerance)


def _drawn(part: _PartT, table: Table, seed: int) -> _PartT:
    """Return a part as the file says, the value that has a tolerance drawn inside it."""
    part = _filled(part, table)
    name = _toleranced(type(part))
    share = stream(seed, "unit model", type(part).__name__, name).uniform(-1.0, 1.0)
    tolerance_frac = _said(table).get("tolerance_frac", 0.0)
    return replace(part, **{name: getattr(part, name) * (1.0 + tolerance_frac * share)})
