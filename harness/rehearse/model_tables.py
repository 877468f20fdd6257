"""A unit model as a file says it: component values, and what is wrong with the unit."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from harness.errors import did_you_mean
from harness.files.field_types import (
    Amps,
    Celsius,
    Farads,
    Flag,
    Fraction,
    Name,
    Number,
    Ohms,
    Seconds,
    Table,
    Volts,
    Watts,
    mistaken,
)
from harness.quantity import shown
from harness.rehearse.faults import FAULTS
from harness.rehearse.model_fields import Kelvins, Tolerance, WattsPerKelvin, read_severity
from harness.unit.parts import Joules, MeltingIntegral

__all__ = [
    "BulkTable",
    "ConverterTable",
    "FaultTable",
    "FuseTable",
    "LimiterTable",
    "ModelTables",
    "RectifierTable",
    "VaristorTable",
]


class FuseTable(Table):
    """The fuse.

    Attributes:
        rating_a: Rated current.
        melting_i2t_a2s: Melting integral.
        resistance_ohm: Cold resistance.
    """

    rating_a: Amps | None = Field(default=None, alias="rating")
    melting_i2t_a2s: MeltingIntegral | None = Field(default=None, alias="melting_i2t")
    resistance_ohm: Ohms | None = Field(default=None, alias="resistance")


class VaristorTable(Table):
    """The varistor across the input.

    Attributes:
        fitted: False where there is none.
        voltage_at_1ma_v: Voltage at 1 mA DC.
        tolerance_frac: Tolerance of that voltage.
        exponent: Exponent of its power law.
        energy_j: Energy at which it fails short; left out, it never does.
        cooling_s: Time constant with which it cools.
        failed_ohm: What it is when it has failed.
    """

    fitted: Flag = True
    voltage_at_1ma_v: Volts | None = Field(default=None, alias="voltage_at_1ma")
    tolerance_frac: Tolerance | None = Field(default=None, alias="tolerance")
    exponent: Number | None = None
    energy_j: Joules | None = Field(default=None, alias="energy")
    cooling_s: Seconds | None = Field(default=None, alias="cooling_time")
    failed_ohm: Ohms | None = Field(default=None, alias="failed_resistance")

    @field_validator("exponent")
    @classmethod
    def _plausible(cls, value: float | None) -> float | None:
        if value is not None and not 2.0 <= value <= 100.0:
            raise mistaken("an exponent is from 2 to 100; zinc oxide has 25 to 50", "30")
        return value


class RectifierTable(Table):
    """Series diode or bridge.

    Attributes:
        drop_v: Forward drop of the whole path.
        drop_at_a: Current at which it is that.
        emission_v: Growth of the drop for each e times the current; AC only.
        resistance_ohm: Resistance in series, without an inrush limiter that is named.
    """

    drop_v: Volts | None = Field(default=None, alias="drop")
    drop_at_a: Amps | None = Field(default=None, alias="drop_current")
    emission_v: Volts | None = Field(default=None, alias="emission_voltage", examples=['"88 mV"'])
    resistance_ohm: Ohms | None = Field(default=None, alias="resistance")


class LimiterTable(Table):
    """The inrush limiter, an NTC thermistor.

    Attributes:
        cold_ohm: Resistance at 25 degC.
        tolerance_frac: Tolerance of it.
        beta_k: B constant.
        dissipation_w_per_k: Dissipation factor.
        heat_time_s: Thermal time constant.
        ambient_degc: Temperature around it.
    """

    cold_ohm: Ohms = Field(alias="cold_resistance", examples=['"10 ohm"'])
    tolerance_frac: Tolerance | None = Field(default=None, alias="tolerance")
    beta_k: Kelvins | None = Field(default=None, alias="beta")
    dissipation_w_per_k: WattsPerKelvin | None = Field(default=None, alias="dissipation")
    heat_time_s: Seconds | None = Field(default=None, alias="heat_time")
    ambient_degc: Celsius | None = Field(default=None, alias="ambient")


class BulkTable(Table):
    """The bulk capacitor.

    Attributes:
        capacitance_f: What is printed on it.
        tolerance_frac: Tolerance of it.
        series_resistance_ohm: Equivalent series resistance when new.
        leakage_ohm: Leakage and bleeder together.
        left_frac: Age: share of the capacitance that is left. Series resistance rises as much.
        forming_ohm: Extra leakage path at first power after a long rest.
        forming_s: Time constant at working voltage with which it goes.
    """

    capacitance_f: Farads | None = Field(default=None, alias="capacitance")
    tolerance_frac: Tolerance | None = Field(default=None, alias="tolerance")
    series_resistance_ohm: Ohms | None = Field(default=None, alias="series_resistance")
    leakage_ohm: Ohms | None = Field(default=None, alias="leakage")
    left_frac: Fraction | None = Field(default=None, alias="capacitance_left")
    forming_ohm: Ohms | None = Field(default=None, alias="forming_leakage")
    forming_s: Seconds | None = Field(default=None, alias="forming_time")

    @field_validator("left_frac")
    @classmethod
    def _some_left(cls, value: float | None) -> float | None:
        if value is not None and not 0.005 <= value <= 1.0:
            raise mistaken("what is left is from 0.5 % to 100 %", '"80 %"')
        return value

    @model_validator(mode="after")
    def _both_of_forming(self) -> BulkTable:
        if (self.forming_ohm is None) != (self.forming_s is None):
            raise mistaken(
                "forming_leakage and forming_time belong together",
                'forming_leakage = "20 kohm", forming_time = "30 s"',
            )
        return self


class ConverterTable(Table):
    """The switching converter and the output that is metered and loaded.

    Attributes:
        start_v: Bulk voltage at which it starts.
        stop_v: Bulk voltage at which it stops.
        restart_delay_s: Least time from a stop to the next start.
        soft_start_s: Time its output takes to rise.
        idle_power_w: Input power without load.
        proportional_loss_frac: Loss in proportion to output power.
        square_loss_frac: Loss that grows with the square, as a share at nominal power.
        output_v: Output voltage without load.
        tolerance_frac: Tolerance of it.
        output_limit_a: Output current it cannot pass.
        output_resistance_ohm: Output resistance.
        output_capacitance_f: Output capacitor.
        output_bleed_ohm: What empties it.
        switching_ripple_v: Ripple (rms) at nominal current.
    """

    start_v: Volts | None = Field(default=None, alias="start")
    stop_v: Volts | None = Field(default=None, alias="stop")
    restart_delay_s: Seconds | None = Field(default=None, alias="restart_delay")
    soft_start_s: Seconds | None = Field(default=None, alias="soft_start")
    idle_power_w: Watts | None = Field(default=None, alias="idle_power")
    proportional_loss_frac: Fraction | None = Field(default=None, alias="proportional_loss")
    square_loss_frac: Fraction | None = Field(default=None, alias="square_loss")
    output_v: Volts | None = Field(default=None, alias="output_voltage")
    tolerance_frac: Tolerance | None = Field(default=None, alias="tolerance")
    output_limit_a: Amps | None = Field(default=None, alias="output_limit")
    output_resistance_ohm: Ohms | None = Field(default=None, alias="output_resistance")
    output_capacitance_f: Farads | None = Field(default=None, alias="output_capacitance")
    output_bleed_ohm: Ohms | None = Field(default=None, alias="output_bleed")
    switching_ripple_v: Volts | None = Field(default=None, alias="switching_ripple")


class FaultTable(Table):
    """Something wrong with the unit.

    Attributes:
        kind: Name of the fault, as ``--fault`` takes it.
        severity: How bad: ``mild``, ``usual``, ``severe``, or the fault's own number.
        onset_v: Bulk voltage at which it shows.
        onset_s: Time with power on after which it shows.
    """

    kind: Name = Field(examples=['"leaky-bulk-capacitor"'])
    severity: float | str | None = Field(default=None, examples=['"mild"'])
    onset_v: Volts | None = Field(default=None, alias="onset_voltage")
    onset_s: Seconds | None = Field(default=None, alias="onset_time")

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
        kind = info.data.get("kind")
        return None if kind is None else read_severity(value, kind)

    @field_validator("onset_v", "onset_s")
    @classmethod
    def _can_come_late(cls, value: Any, info: ValidationInfo) -> Any:
        kind = info.data.get("kind")
        if kind is not None and FAULTS[kind].onset is None:
            late = ", ".join(name for name, fault in FAULTS.items() if fault.onset is not None)
            raise mistaken(f"{kind} is there from the beginning; only {late} can come late")
        return value


class ModelTables(Table):
    """A unit model.

    Attributes:
        title: One line that says which unit this is.
        input: Kind of its input.
        fuse: The fuse.
        varistor: The varistor.
        rectifier: Series diode or bridge.
        inrush_limiter: The inrush limiter, or None: then it counts as warm and constant.
        bulk: The bulk capacitor.
        converter: The converter.
        faults: What is wrong with it.
    """

    title: Name = Field(examples=['"Dome-shutter power unit"'])
    input: Literal["dc", "ac"] = Field(examples=['"ac"'])
    fuse: FuseTable = FuseTable()
    varistor: VaristorTable = VaristorTable()
    rectifier: RectifierTable = RectifierTable()
    inrush_limiter: LimiterTable | None = None
    bulk: BulkTable = BulkTable()
    converter: ConverterTable = ConverterTable()
    faults: tuple[FaultTable, ...] = ()

    @field_validator("rectifier")
    @classmethod
    def _fixed_drop(cls, value: RectifierTable, info: ValidationInfo) -> RectifierTable:
        if info.data.get("input") == "dc" and value.emission_v is not None:
            raise mistaken("the diode of a DC input has a fixed drop: leave emission_voltage out")
        return value
