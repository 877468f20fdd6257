"""The nameplate: what the unit is built to take and to give."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from harness.errors import did_you_mean
from harness.files.field_types import (
    Amps,
    Farads,
    Fraction,
    Hertz,
    Name,
    Seconds,
    Table,
    Volts,
    Watts,
    mistaken,
    read_quantity,
)
from harness.quantity import format_quantity, shown
from harness.unit.charger_output import ChargerOutput
from harness.unit.enable_input import EnableInput
from harness.unit.fixed_output import FixedOutput

#: Stands between the two ends of a nominal range: ``100 V to 240 V``.
_TO = " to "


def nominal_ends_v(text: object) -> tuple[float, float]:
    """Read the ends of a nominal range (``100 V to 240 V``), or one voltage as both.

    Raises:
        PydanticCustomError: It is neither, or the ends are the wrong way round.
    """
    ends = text.split(_TO) if isinstance(text, str) else [text]
    if len(ends) > 2:
        raise mistaken(f"{shown(text)} is no range of two voltages", '"100 V to 240 V"')
    low_v, high_v = read_quantity(ends[0], "V"), read_quantity(ends[-1], "V")
    if low_v <= 0:
        raise mistaken(f"{shown(text)} is not above zero", '"24 V"')
    if len(ends) == 2 and low_v >= high_v:
        raise mistaken(
            f"{shown(text)} does not rise: the lower end comes first", '"100 V to 240 V"'
        )
    return low_v, high_v


def _low_end_v(text: object) -> float:
    """Read the lower end; what is wrong with the text the higher end tells."""
    try:
        return nominal_ends_v(text)[0]
    except PydanticCustomError:
        return 1.0


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

    #: The highest nominal voltage, and the lowest: the same, but for a range (universal input).
    nominal_v: Annotated[float, BeforeValidator(lambda text: nominal_ends_v(text)[1])] = Field(
        examples=['"24 V"']
    )
    low_nominal_v: Annotated[float, BeforeValidator(_low_end_v)] = Field(
        default=1.0, alias="nominal"
    )
    tolerance_frac: Annotated[Fraction, AfterValidator(below_whole)]
    current_a: Amps  # of a range: at its lower end
    #: None: the start has no charge budget, and time at the limit is bounded instead.
    bulk_capacitance_f: Farads | None = None
    #: As in the file, like the next two; the properties below fill in what is left out.
    idle_power: Watts | None = None
    #: The most it draws by itself, at work or while it boots; None: no more than its idle power.
    busy_power_w: Watts | None = Field(default=None, examples=['"4 W"'])
    #: From when it gets power until it draws as it does at rest, at most; None: at once.
    boot_time_s: Seconds | None = Field(default=None, examples=['"8 s"'])
    threshold: Volts | None = Field(default=None, alias="start_threshold")
    leakage: Amps | None = None

    @field_validator("idle_power", "busy_power_w", "threshold", "leakage")
    @classmethod
    def _within_nominal(cls, value: float | None, info: ValidationInfo) -> float | None:
        """Refuse what no unit of this nameplate can have: a budget would then allow anything."""
        nominal_v, current_a = info.data.get("low_nominal_v"), info.data.get("current_a")
        if value is None or nominal_v is None or current_a is None:
            return value
        unit = {"threshold": "V", "leakage": "A"}.get(str(info.field_name), "W")
        most = {"W": nominal_v * current_a, "V": nominal_v, "A": current_a}[unit]
        if value > most * (1 + 1e-9):
            raise mistaken(
                f"{format_quantity(value, unit)} is more than the unit's nominal "
                f"{format_quantity(most, unit)}"
            )
        return value

    @property
    def has_range(self) -> bool:
        """Whether it takes any voltage between two nominal ones."""
        return self.low_nominal_v < self.nominal_v

    @property
    def nominal(self) -> str:
        """Nominal voltage, or its range, as the nameplate has it."""
        ends = (self.low_nominal_v, self.nominal_v) if self.has_range else (self.nominal_v,)
        return _TO.join(format_quantity(end_v, "V") for end_v in ends)

    def at(self, nominal_v: float) -> Self:
        """Return the input as it is on a line of one voltage of its range."""
        return self.model_copy(
            update={
                "nominal_v": nominal_v,
                "low_nominal_v": nominal_v,
                "threshold": self.start_threshold_v,
                "idle_power": self.idle_power_w,
            }
        )

    @property
    def highest_v(self) -> float:
        """Nominal plus tolerance."""
        return self.nominal_v * (1 + self.tolerance_frac)

    @property
    def lowest_v(self) -> float:
        """Nominal less tolerance."""
        return self.low_nominal_v * (1 - self.tolerance_frac)

    def stored_v(self, line_v: float) -> float:
        """Return the most that the bulk capacitor holds on a line (rms for AC)."""
        return self.peak_factor * line_v

    @property
    def start_threshold_v(self) -> float:
        """Input voltage at which the unit begins to work; left out, a share of nominal."""
        if self.threshold is not None:
            return self.threshold
        return self.threshold_frac * self.low_nominal_v

    @property
    def idle_power_w(self) -> float:
        """Draw with outputs unloaded; left out, a tenth of nominal voltage times current."""
        return 0.1 * self.apparent_va if self.idle_power is None else self.idle_power

    @property
    def own_power_w(self) -> float:
        """The most it draws with outputs unloaded: at work, or else its idle power."""
        return max(self.idle_power_w, self.busy_power_w or 0.0)

    @property
    def apparent_va(self) -> float:
        """Nominal voltage times current: of a range at its lower end, where it takes most."""
        return self.low_nominal_v * self.current_a

    @property
    def leakage_a(self) -> float:
        """Current a healthy unit may draw below its threshold; left out, 1 % of nominal current."""
        return 0.01 * self.current_a if self.leakage is None else self.leakage


class DcInput(_Input):
    """A DC input."""

    threshold_frac: ClassVar[float] = 0.3
    peak_factor: ClassVar[float] = 1.0
    power_factor: ClassVar[float] = 1.0
    boosted_v: ClassVar[None] = None
    #: Bulk capacitance over the supply's own from which on it is weighed by a start: a unit whose
    #: capacitor is smaller than that is told from a weak one by other checks.
    least_over_own: ClassVar[float] = 1.0
    #: Drop of a diode against wrong polarity: Schottky 0.3 V to 0.5 V, common practice.
    diode_v: ClassVar[float] = 0.5

    kind: Literal["dc"]


class RectifiedInput(DcInput):
    """An AC input as a DC supply finds it: its rectifier passes DC, so that peaks are what counts.

    Nominal voltage, tolerance and threshold are those of the line's peaks: at the same share of
    nominal the bulk capacitor is charged to the same voltage as on AC.

    Source: A rectifier charges its capacitor to the peak, the square root of two times the rms
        voltage of a sine; textbook.
    """

    threshold_frac: ClassVar[float] = 0.5
    #: It is smaller than most supplies' own, for it works at a higher voltage: weighed as far as
    #: the supply's is known.
    least_over_own: ClassVar[float] = 0.0
    #: Two silicon diodes of a bridge at most: 1 V each, common practice.
    diode_v: ClassVar[float] = 2.0

    boosts: bool = False  # whether a boost stage begins to work at its threshold

    @classmethod
    def of(cls, line: AcInput) -> RectifiedInput:
        """Return what a DC supply finds at an AC input."""
        threshold_v = None if line.threshold is None else line.peak_factor * line.threshold
        return cls.model_construct(
            kind="dc",
            nominal_v=line.peak_factor * line.nominal_v,
            low_nominal_v=line.peak_factor * line.low_nominal_v,
            tolerance_frac=line.tolerance_frac,
            current_a=line.current_a,
            bulk_capacitance_f=line.bulk_capacitance_f,
            idle_power=line.idle_power,
            threshold=threshold_v,
            leakage=line.leakage,
            boosts=line.boosted_v is not None,
        )

    @property
    def apparent_va(self) -> float:
        """That of the AC input."""
        return self.rms_v(self.low_nominal_v) * self.current_a

    @staticmethod
    def rms_v(voltage_v: float) -> float:
        """Return the rms voltage of the line whose peaks are at a DC voltage."""
        return voltage_v / AcInput.peak_factor


class AcInput(_Input):
    """An AC input, built for line frequencies of which the first is the usual one."""

    threshold_frac: ClassVar[float] = 0.5
    peak_factor: ClassVar[float] = math.sqrt(2.0)
    power_factor: ClassVar[float] = 0.5

    kind: Literal["ac"]
    frequency_hz: tuple[Hertz, ...] = Field(min_length=1, examples=['["50 Hz", "60 Hz"]'])
    #: Of the bulk capacitor while the unit works, where a boost stage (active power-factor
    #: correction) holds it above the peak of the line; None: a rectifier alone fills it.
    boosted_v: Volts | None = Field(default=None, alias="boosted_voltage", examples=['"390 V"'])

    def stored_v(self, line_v: float) -> float:
        """Return the most that the bulk capacitor holds on a line (rms)."""
        return max(super().stored_v(line_v), self.boosted_v or 0.0)

    @field_validator("boosted_v")
    @classmethod
    def _above_the_line(cls, value: float | None, info: ValidationInfo) -> float | None:
        """Refuse what no boost stage gives: it cannot go below the peak of the line."""
        nominal_v = info.data.get("nominal_v")
        if value is not None and nominal_v is not None:
            peak_v = cls.peak_factor * nominal_v
            if value < peak_v * (1 - 1e-9):
                raise mistaken(
                    f"{format_quantity(value, 'V')} is below {format_quantity(peak_v, 'V', 3)}, "
                    f"the peak of a line of {format_quantity(nominal_v, 'V')}"
                )
        return value


Input = Annotated[DcInput | AcInput, Field(discriminator="kind")]


#: One output of the unit.
Output = FixedOutput | ChargerOutput


class Unit(Table):
    """The nameplate of the unit: what it is fed with, what it gives, its class by IEC 61140."""

    input: Input
    output: dict[Name, Annotated[Output, Field(discriminator="kind")]] = Field(default_factory=dict)
    protection_class: Literal["I", "II", "III"] = Field(examples=['"II"'])
    #: Power that all outputs may give together; None: each its nominal one at once.
    total_power_w: Watts | None = Field(default=None, examples=['"60 W"'])
    #: The input that has to be pulled before it works; None: there is none.
    enable: EnableInput | None = None

    def fed_with_dc(self) -> Unit:
        """Return the unit as a DC supply at its input finds it; a DC unit is what it is."""
        if not isinstance(self.input, AcInput):
            return self
        return self.model_copy(update={"input": RectifiedInput.of(self.input)})

    @property
    def output_power_w(self) -> float:
        """Power that all outputs may give together; 0 for a unit without one."""
        each_w = sum(output.nominal_v * output.current_a for output in self.output.values())
        return each_w if self.total_power_w is None else min(each_w, self.total_power_w)

    def no_output(self, name: str) -> str:
        """Say that there is no output of a name, and which there are."""
        hint = did_you_mean(name, self.output) or f"; there are {', '.join(self.output)}"
        return f"the unit has no output {shown(name)}{hint}"
