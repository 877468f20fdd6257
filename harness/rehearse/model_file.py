"""Loads a unit model and makes the simulated unit of it: the one on the bench, not any one."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.errors import FileError
from harness.files.config_error import ConfigError, as_mistakes, found_by_validation
from harness.files.field_types import Table
from harness.files.file_kind import MODEL
from harness.files.from_file import FromFile
from harness.files.named_file import read_named
from harness.files.toml_positions import KeyPath, TomlPositions
from harness.rehearse.changing_parts import Forming, InrushLimiter, Onset
from harness.rehearse.faults import FAULTS
from harness.rehearse.model_tables import ModelTables
from harness.rehearse.unit_model import (
    Bulk,
    Converter,
    Fuse,
    Rectifier,
    UnitModel,
    Varistor,
    typical_model,
)
from harness.unit.nameplate import Unit

__all__ = ["UnitModelFile", "load_unit_model"]

_PartT = TypeVar("_PartT", Varistor, Rectifier, Bulk, Converter)
_PARTS = ("fuse", "varistor", "rectifier", "bulk", "converter")


class UnitModelFile(FromFile, ModelTables):
    """A unit model that knows the file it came from."""

    def unit(self, nameplate: Unit, *, seed: int = 1) -> UnitModel:
        """Return the simulated unit.

        A value with a tolerance is drawn inside it, every value as likely as any other; one
        without stands as it is. What the file leaves out is typical of the nameplate.

        Args:
            nameplate: The nameplate of the profile.
            seed: Decides the draw: same seed, same unit.

        Raises:
            FileError: It does not fit the nameplate.

        Source:
            Where only bounds are known, any value inside is as likely: JCGM 100:2008, 4.3.7.
        """
        if self.input != nameplate.input.kind:
            kind = nameplate.input.kind
            raise self._mistake(("input",), f"the profile's unit has {kind.upper()} input", kind)
        draw = _Draw(seed)
        typical = typical_model(nameplate)
        rectifier = _filled(typical.rectifier, self.rectifier)
        bulk_v = nameplate.input.nominal_v * nameplate.input.peak_factor - rectifier.drop_v
        model = UnitModel(
            input_kind=typical.input_kind,
            fuse=self._fuse(typical.fuse),
            varistor=self._varistor(typical.varistor, draw),
            rectifier=replace(rectifier, limiter=self._limiter(draw)),
            bulk=self._bulk(typical.bulk, bulk_v, draw),
            converter=self._converter(typical.converter, bulk_v, draw),
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
        stated = {part: {field for field, _ in _said(getattr(self, part))} for part in _PARTS}
        if self.varistor.tolerance_frac is not None:
            stated["varistor"].add("voltage_at_1ma_v")
        if self.converter.tolerance_frac is not None:
            stated["converter"].add("output_v")
        if self.bulk.tolerance_frac is not None or self.bulk.left_frac is not None:
            stated["bulk"].add("capacitance_f")
        return {part: frozenset(fields) for part, fields in stated.items()}

    def refuse_faults(self, why: str) -> None:
        """Refuse a unit model that lists faults, where only a sound unit makes sense.

        Raises:
            FileError: It lists some; ``why`` says what to do.
        """
        if self.faults:
            raise self._mistake(("faults", 0, "kind"), why)

    def _fuse(self, typical: Fuse) -> Fuse:
        table = self.fuse
        fuse = typical
        if table.rating_a is not None or table.melting_i2t_a2s is not None:
            rating_a = table.rating_a or typical.rating_a
            fuse = Fuse.time_lag(rating_a, melting_i2t_a2s=table.melting_i2t_a2s)
        return (
            fuse
            if table.resistance_ohm is None
            else replace(fuse, resistance_ohm=table.resistance_ohm)
        )

    def _varistor(self, typical: Varistor | None, draw: _Draw) -> Varistor | None:
        table = self.varistor
        if not table.fitted or typical is None:
            return None
        varistor = _filled(typical, table)
        level_v = draw.around(varistor.voltage_at_1ma_v, table.tolerance_frac)
        return replace(varistor, voltage_at_1ma_v=level_v)

    def _limiter(self, draw: _Draw) -> InrushLimiter | None:
        table = self.inrush_limiter
        if table is None:
            return None
        given = _given(table)
        given["cold_ohm"] = draw.around(table.cold_ohm, table.tolerance_frac)
        return InrushLimiter(**given)

    def _bulk(self, typical: Bulk, bulk_v: float, draw: _Draw) -> Bulk:
        table = self.bulk
        bulk = _filled(typical, table)
        printed_f = bulk.capacitance_f
        new_f = draw.around(printed_f, table.tolerance_frac)
        forming = None
        if table.forming_ohm is not None and table.forming_s is not None:
            forming = Forming(extra_ohm=table.forming_ohm, time_s=table.forming_s, voltage_v=bulk_v)
        bulk = replace(bulk, capacitance_f=new_f, nominal_capacitance_f=printed_f, forming=forming)
        if table.left_frac is None:
            return bulk
        aged = bulk.aged(table.left_frac)
        return replace(aged, capacitance_f=table.left_frac * new_f)

    def _converter(self, typical: Converter, bulk_v: float, draw: _Draw) -> Converter:
        table = self.converter
        converter = replace(_filled(typical, table), nominal_bulk_v=bulk_v)
        if table.start_v is not None and table.stop_v is None:
            converter = replace(converter, stop_v=0.8 * table.start_v)
        if converter.stop_v >= converter.start_v:
            key = "stop" if table.stop_v is not None else "start"
            raise self._mistake(
                ("converter", key),
                f"it would stop at {converter.stop_v:g} V and start at {converter.start_v:g} V; "
                "stop below start",
            )
        output_v = draw.around(converter.output_v, table.tolerance_frac)
        return replace(converter, output_v=output_v)

    def _mistake(self, path: KeyPath, problem: str, value: str = "") -> FileError:
        slip = ConfigError(path, problem, f'"{value}"' if value else "")
        return FileError(as_mistakes([slip], self.source, TomlPositions(self.text)))


def load_unit_model(source: str | Path) -> UnitModelFile:
    """Load a unit model.

    Args:
        source: Path of a TOML file, or name of a shipped unit model with or without ``models/``
            and ``.toml``. A file of that path comes first.

    Raises:
        FileError: With every mistake in the file.
    """
    file = read_named(source, MODEL)
    try:
        model = UnitModelFile.model_validate(file.data)
    except ValidationError as found:
        slips = [*found_by_validation(found, UnitModelFile, file.data)]
        raise FileError(as_mistakes(slips, file.name, TomlPositions(file.text))) from None
    return model.came_from(file.name, file.text, file.sha256)


class _Draw:
    """Draws values inside their tolerance, always in the same order."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(f"unit {seed}")

    def around(self, value: float, tolerance_frac: float | None) -> float:
        share = self._random.uniform(-1.0, 1.0)
        return value if tolerance_frac is None else value * (1.0 + tolerance_frac * share)


def _given(table: Table) -> dict[str, Any]:
    """Return what a table of the file says, by the names of the part's fields."""
    return dict(_said(table))


def _said(table: Table) -> Iterator[tuple[str, Any]]:
    for name in type(table).model_fields:
        value = getattr(table, name)
        if value is not None and name != "tolerance_frac":
            yield name, value


def _filled(part: _PartT, table: Table) -> _PartT:
    """Return a typical part with what the file says in place."""
    said = {name: value for name, value in _said(table) if name in part.__dataclass_fields__}
    return replace(part, **said)
