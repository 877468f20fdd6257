"""The nameplate: what the unit is built to take and to give."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, ValidationInfo, field_validator

from harness.errors import did_you_mean
from harness.files.field_types import (
    Amps,
    Farads,
    Fraction,
    Hertz,
    Name,
    Table,
    Volts,
    Watts,
    mistaken,
)
from harness.quantity import format_quantity, shown


def below_whole(tolerance_frac: float) -> float:
    """Return a tolerance, or raise what :func:`mistaken` makes where it takes all."""
    if tolerance_frac >= 1:
        raise mistaken("a tolerance stays below 100 %", '"10 %"')
    return tolerance_frac


class _Input(Table):
    """What both kinds of input share; voltages and currents are DC, or rms for AC."""

    threshold_frac: ClassVar[float]  # of nominal: where a unit begins to work if nothing is stated
    peak_factor: ClassVar[float]  # voltage of the bulk capacitor over the input voltage
    #: Real over apparent power, the low end for a capacitor-input rectifier.
    #: Source: 0.5 to 0.7, common practice.
    power_factor: ClassVar[float]

    nominal_v: Volts
    tolerance_frac: Annotated[Fraction, AfterValidator(below_whole)]
    current_a: Amps
    #: None: the start has no charge budget, and time at the limit is bounded instead.
    bulk_capacitance_f: Farads | None = None
    #: As in the file, like the next two; the properties below fill in what is left out.
    idle_power: Watts | None = None
    threshold: Volts | None = Field(default=None, alias="start_threshold")
    leakage: Amps | None = None

    @field_validator("idle_power", "threshold", "leakage")
    @classmethod
    def _within_nominal(cls, value: float | None, info: ValidationInfo) -> float | None:
        """Refuse what no unit of this nameplate can have: a budget would then allow anything."""
        nominal_v, current_a = info.data.get("nominal_v"), info.data.get("current_a")
        if value is None or nominal_v is None or current_a is None:
            return value
        unit = {"idle_power": "W", "threshold": "V", "leakage": "A"}[str(info.field_name)]
        most = {"W": nominal_v * current_a, "V": nominal_v, "A": current_a}[unit]
        if value > most * (1 + 1e-9):
            raise mistaken(
                f"{format_quantity(value, unit)} is more than the unit's nominal "
                f"{format_quantity(most, unit)}"
            )
        return value

    @property
    def highest_v(self) -> float:
        """Nominal plus tolerance."""
        return self.nominal_v * (1 + self.tolerance_frac)

    @property
    def lowest_v(self) -> float:
        """Nominal less tolerance."""
        return self.nominal_v * (1 - self.tolerance_frac)

    @property
    def start_threshold_v(self) -> float:
        """Input voltage at which the unit begins to work; left out, a share of nominal."""
        return self.threshold_frac * self.nominal_v if self.threshold is None else self.threshold

    @property
    def idle_power_w(self) -> float:
        """Draw with outputs unloaded; left out, a tenth of nominal voltage times current."""
        return 0.1 * self.nominal_v * self.current_a if self.idle_power is None else self.idle_power

    @property
    def leakage_a(self) -> float:
        """Current a healthy unit may draw below its threshold; left out, 1 % of nominal current."""
        return 0.01 * self.current_a if self.leakage is None else self.leakage


class DcInput(_Input):
    """A DC input."""

    threshold_frac: ClassVar[float] = 0.3
    peak_factor: ClassVar[float] = 1.0
    power_factor: ClassVar[float] = 1.0

    kind: Literal["dc"]


class AcInput(_Input):
    """An AC input, built for line frequencies of which the first is the usual one."""

    threshold_frac: ClassVar[float] = 0.5
    peak_factor: ClassVar[float] = math.sqrt(2.0)
    power_factor: ClassVar[float] = 0.5

    kind: Literal["ac"]
    frequency_hz: tuple[Hertz, ...] = Field(min_length=1, examples=['["50 Hz", "60 Hz"]'])


Input = Annotated[DcInput | AcInput, Field(discriminator="kind")]


class Output(Table):
    """One output of the unit."""

    kind: Literal["dc", "ac"] = Field(examples=['"dc"'])
    nominal_v: Volts
    current_a: Amps
    #: Current it may be asked for beyond the nominal one.
    limit_a: Amps | None = None

    @property
    def rating(self) -> str:
        """What it gives, in a few words."""
        volts, amps = format_quantity(self.nominal_v, "V"), format_quantity(self.current_a, "A")
        return f"{volts} {self.kind.upper()}, {amps}"

    @field_validator("limit_a")
    @classmethod
    def _beyond_nominal(cls, limit_a: float | None, info: ValidationInfo) -> float | None:
        current_a = info.data.get("current_a")
        if limit_a is not None and current_a is not None and limit_a < current_a:
            raise mistaken(
                f"{format_quantity(limit_a, 'A')} is less than the nominal "
                f"{format_quantity(current_a, 'A')}"
            )
        return limit_a


class Unit(Table):
    """The nameplate of the unit: what it is fed with, what it gives, its class by IEC 61140."""

    input: Input
    output: dict[Name, Output] = Field(default_factory=dict)
    protection_class: Literal["I", "II", "III"] = Field(examples=['"II"'])

    @property
    def output_power_w(self) -> float:
        """Nominal power of all outputs together; 0 for a unit without one."""
        return sum(output.nominal_v * output.current_a for output in self.output.values())

    def no_output(self, name: str) -> str:
        """Say that there is no output of a name, and which there are."""
        hint = did_you_mean(name, self.output) or f"; there are {', '.join(self.output)}"
        return f"the unit has no output {shown(name)}{hint}"
