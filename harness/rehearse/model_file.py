"""The file of a unit model, and the simulated unit of it: the one on the bench, not any one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from harness.errors import FileError, did_you_mean
from harness.files.config_error import ConfigError, as_mistakes
from harness.files.field_types import Name, Seconds, Table, Volts, mistaken
from harness.files.named_file import MODEL, FromFile, read_named, validated
from harness.files.toml_positions import KeyPath
from harness.quantity import parse_quantity, shown
from harness.rehearse.boost_stage import Boost
from harness.rehearse.charge_parts import Battery, ChargeStage
from harness.rehearse.fault import SEVERITIES, Severity, has_of
from harness.rehearse.faults import FAULTS
from harness.rehearse.laws import Laws
from harness.rehearse.part_tables import (
    BatteryTable,
    BoostTable,
    BulkTable,
    ChargeStageTable,
    ConverterTable,
    FuseTable,
    InrushLimiterTable,
    PartTable,
    RectifierTable,
    VaristorTable,
    WorkTable,
)
from harness.rehearse.unit_model import Onset, UnitModel, typical_model
from harness.rehearse.unit_parts import Bulk, Converter, Fuse, InrushLimiter
from harness.rehearse.work import Work
from harness.unit.nameplate import Unit


class FaultTable(Table):
    """Something wrong with the unit."""

    #: As ``--fault`` takes it.
    kind: Name = Field(examples=['"leaky-bulk-capacitor"'])
    #: One of :data:`SEVERITIES`, or the fault's own number.
    severity: float | str | None = Field(default=None, examples=['"mild"'])
    #: Bulk voltage at which it shows, and time with power on after which it does.
    onset_voltage_v: Volts | None = None
    onset_time_s: Seconds | None = None

    @field_validator("kind")
    @classmethod
    def _known(cls, value: str) -> str:
        if value not in FAULTS:
            hint = did_you_mean(value, FAULTS) or f"; there are {', '.join(FAULTS)}"
            raise mistaken(f"there is no fault {shown(value)}{hint}")
        return value

    @field_validator("severity", mode="before")
    @classmethod
    def _in_its_own_measure(cls, value: object, info: ValidationInfo) -> object:
        """Read a word, the fault's own unit, or a share of one as a plain number."""
        kind = info.data.get("kind")
        if kind is None:
            return None
        severity = FAULTS[kind].severity
        if severity is None:
            raise mistaken(f"{kind} is there or it is not: it has no severity; leave the key out")
        if isinstance(value, str) and value in SEVERITIES:
            return value
        plain = isinstance(value, int | float) and not isinstance(value, bool)
        try:
            number = parse_quantity(value, "1" if plain and severity.unit == "%" else severity.unit)
            return severity.number(number)
        except ValueError as error:
            problem = getattr(error, "problem", str(error))
            raise mistaken(f"{problem}; here it is {severity.what}", _example(severity)) from None

    @field_validator("onset_voltage_v", "onset_time_s")
    @classmethod
    def _can_come_late(cls, value: Any, info: ValidationInfo) -> Any:
        kind = info.data.get("kind")
        if kind is not None and FAULTS[kind].onset is None:
            late = ", ".join(name for name, fault in FAULTS.items() if fault.onset is not None)
            raise mistaken(f"{kind} is there from the beginning; only {late} can come late")
        return value


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
    standby: ConverterTable = ConverterTable()  # of a unit whose nameplate has a standby output
    boost: BoostTable = BoostTable()  #: of a unit whose nameplate states a boosted voltage
    work: WorkTable = WorkTable()  # of a unit whose nameplate states a busy power
    charger: ChargeStageTable = ChargeStageTable()  # of a unit whose output is a charger ...
    battery: BatteryTable = BatteryTable()  # ... and of what a person connects to it
    faults: tuple[FaultTable, ...] = ()

    @field_validator("rectifier")
    @classmethod
    def _fixed_drop(cls, value: RectifierTable, info: ValidationInfo) -> RectifierTable:
        if info.data.get("input") == "dc" and "emission_v" in value.said:
            raise mistaken("the diode of a DC input has a fixed drop: leave emission_voltage out")
        return value

    @field_validator("bulk")
    @classmethod
    def _both_of_forming(cls, value: BulkTable) -> BulkTable:
        if len({"forming_ohm", "forming_s"} & value.said.keys()) == 1:
            raise mistaken(
                "forming_leakage and forming_time belong together",
                'forming_leakage = "20 kohm", forming_time = "30 s"',
            )
        return value

    def unit(self, nameplate: Unit, *, seed: int = 1, laws: Laws = Laws()) -> UnitModel:  # noqa: B008 - it is frozen
        """Return the simulated unit.

        A value with a tolerance is drawn inside it, the same for the same seed, every value as
        likely as any other; one without stands as it is. What the file leaves out is typical of the
        nameplate, under these laws.

        Raises:
            FileError: It does not fit the nameplate.

        Source: Where only bounds are known, any value inside is as likely: JCGM 100:2008, 4.3.7.
        """
        kind = nameplate.input.kind
        if self.input != kind:
            raise self._mistake(("input",), f"the profile's unit has {kind.upper()} input", kind)
        typical = typical_model(nameplate, laws)
        rectifier = self.rectifier.filled(typical.rectifier)
        line_peak_v = nameplate.input.nominal_v * nameplate.input.peak_factor
        bulk_v = nameplate.input.boosted_v or line_peak_v - rectifier.drop_v
        varistor = limiter = None
        if typical.varistor is not None and self.varistor.fitted:
            varistor = self.varistor.drawn(typical.varistor, seed)
        if self.inrush_limiter is not None:
            limiter = InrushLimiter(cold_ohm=self.inrush_limiter.said["cold_ohm"])
            limiter = self.inrush_limiter.drawn(limiter, seed)
            rectifier = replace(rectifier, limiter=limiter, cold_limiter_ohm=0.0)
        rating_a = self.fuse.said.get("rating_a", typical.fuse.rating_a)
        integral_a2s = self.fuse.said.get("melting_i2t_a2s", laws.fuse_melting_s * rating_a**2)
        model = UnitModel(
            input_kind=typical.input_kind,
            fuse=self.fuse.filled(Fuse.time_lag(rating_a, melting_i2t_a2s=integral_a2s)),
            varistor=varistor,
            rectifier=rectifier,
            bulk=self._bulk(typical.bulk, bulk_v, seed),
            converter=self._converter(typical.converter, bulk_v, seed),
            boost=self._boost(typical.boost, seed),
            standby=self._standby(typical.standby, bulk_v, seed),
            rails=typical.rails,
            loop_ohm=typical.loop_ohm,
            work=self._work(typical.work, seed),
            has_output=typical.has_output,
            charger=self._charger(typical.charger, seed),
            battery=self._battery(typical.battery, seed),
            case=typical.case,
        )
        for at, table in enumerate(self.faults):
            fault = FAULTS[table.kind]
            if not fault.fits(
                self.input,
                boosted=typical.boost is not None,
                charges=typical.charger is not None,
                has=has_of(typical),
            ):
                wrong = f"no such unit with {self.input.upper()} input has it"
                raise self._mistake(("faults", at, "kind"), wrong)
            onset = Onset(time_s=table.onset_time_s or 0.0, voltage_v=table.onset_voltage_v or 0.0)
            model = fault.apply(model, severity=table.severity, onset=onset)
        return model

    @property
    def stated(self) -> Mapping[str, frozenset[str]]:
        """Fields of the unit model that the file gives, or gives a tolerance, by their part."""
        return {name: table.stated for name, table in self if isinstance(table, PartTable)}

    def refuse_faults(self, why: str) -> None:
        """Refuse a unit model that lists faults, where only a sound unit makes sense.

        Raises:
            FileError: It lists some; ``why`` says what to do.
        """
        if self.faults:
            raise self._mistake(("faults", 0, "kind"), why)

    def _boost(self, typical: Boost | None, seed: int) -> Boost | None:
        if typical is None:
            self._refuse("boost", "states no boosted_voltage")
            return None
        boost = self.boost.drawn(typical, seed)
        if boost.stop_v >= boost.start_v:
            wrong = f"it would stop at {boost.stop_v:g} V and start at {boost.start_v:g} V"
            raise self._mistake(
                ("boost", "stop" if "stop_v" in self.boost.said else "start"), wrong
            )
        return boost

    def _work(self, typical: Work | None, seed: int) -> Work | None:
        if typical is None:
            self._refuse("work", "states no busy_power")
            return None
        work = self.work.drawn(typical, seed)
        if work.burst_s >= work.period_s:
            raise self._mistake(("work", "burst_time"), "a burst is shorter than its period")
        return work

    def _charger(self, typical: ChargeStage | None, seed: int) -> ChargeStage | None:
        if typical is None:
            self._refuse("charger", "has no output that is a charger")
            return None
        stage = self.charger.drawn(typical, seed)
        for key, value, most, what in (
            ("wake", stage.wake_v, stage.voltage_v, "voltage that it holds"),
            ("end_current", stage.end_current_a, stage.current_a, "current of the charge"),
        ):
            if value >= most:
                wrong = f"{value:g} is not below {most:g}, the {what}"
                raise self._mistake(("charger", key), wrong)
        return stage

    def _battery(self, typical: Battery | None, seed: int) -> Battery | None:
        if typical is None:
            self._refuse("battery", "has no output that is a charger")
            return None
        curve = self.battery.curve(typical)
        (_, empty_v), (_, full_v), *_ = curve
        if empty_v >= full_v:
            wrong = f"its EMF is {empty_v:g} V when it is empty, and {full_v:g} V when it is full"
            key = "empty" if self.battery.empty_v is not None else "full"
            raise self._mistake(("battery", key), wrong)
        return replace(self.battery.drawn(typical, seed), curve=curve)

    def _refuse(self, name: str, why: str) -> None:
        """Refuse a table of a part that a unit without it has not."""
        if getattr(self, name).said:
            raise self._mistake((name,), f"the profile's unit {why}: leave this table out")

    def _bulk(self, typical: Bulk, bulk_v: float, seed: int) -> Bulk:
        printed_f = self.bulk.said.get("capacitance_f", typical.capacitance_f)
        printed = replace(typical, nominal_capacitance_f=printed_f, forming_v=bulk_v)
        new, left_frac = self.bulk.drawn(printed, seed), self.bulk.capacitance_left_frac
        if left_frac is None:
            return new
        return replace(new.aged(left_frac), capacitance_f=left_frac * new.capacitance_f)

    def _standby(self, typical: Converter | None, bulk_v: float, seed: int) -> Converter | None:
        if typical is None:
            self._refuse("standby", "has no standby output")
            return None
        return self._converter(typical, bulk_v, seed, "standby")

    def _converter(
        self, typical: Converter, bulk_v: float, seed: int, which: str = "converter"
    ) -> Converter:
        table: ConverterTable = getattr(self, which)
        said = table.said
        named = "" if which == "converter" else which
        converter = table.drawn(replace(typical, nominal_bulk_v=bulk_v), seed, named)
        if "start_v" in said and "stop_v" not in said:
            stop_share = typical.stop_v / typical.start_v
            converter = replace(converter, stop_v=stop_share * converter.start_v)
        if converter.stop_v >= converter.start_v:
            raise self._mistake(
                (which, "stop" if "stop_v" in said else "start"),
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


def _example(severity: Severity) -> str:
    usual = severity.number()
    if severity.unit == "1":
        return f"{usual:g}"
    return f'"{100.0 * usual:g} %"' if severity.unit == "%" else f'"{usual:g} {severity.unit}"'
