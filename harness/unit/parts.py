"""The parts in the current path as data: what is printed on them, and what was fitted instead.

Each kind has a table of ratings and a part that is made of those ratings: the replacement, under
``fitted``, is described by the same ratings.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from harness.files.field_types import Amps, Celsius, Farads, Flag, Name, Number, Ohms, Table, Volts
from harness.unit.part_fields import Joules, MeltingIntegral, SurgeAmps

__all__ = [
    "KINDS",
    "BridgePart",
    "BulkPart",
    "ChokePart",
    "CurrentRatings",
    "DiodePart",
    "DiodeRatings",
    "ElectrolyticRatings",
    "FusePart",
    "FuseRatings",
    "LimiterPart",
    "LimiterRatings",
    "OutputCapacitorPart",
    "OutputDiodePart",
    "Part",
    "Ratings",
    "SwitchPart",
    "SwitchRatings",
    "VaristorPart",
    "VaristorRatings",
    "XCapacitorPart",
    "XCapacitorRatings",
    "YCapacitorPart",
    "YCapacitorRatings",
]


class Ratings(Table):
    """What is printed on a part, or stands in its data sheet."""


class FuseRatings(Ratings):
    """A fuse-link.

    Attributes:
        current_a: Rated current.
        voltage_v: Rated voltage.
        characteristic: IEC 60127 letter: FF very quick, F quick, M medium, T and TT time-lag.
        breaking: IEC 60127 letter: L low (35 A or ten times its rating), E 150 A, H 1500 A.
        breaking_capacity_a: Breaking capacity where it is no letter, or None.
        melting_i2t_a2s: Melting integral of the data sheet, or None for the usual of its letters.
    """

    current_a: Amps = Field(alias="current", examples=['"2 A"'])
    voltage_v: Volts = Field(alias="voltage", examples=['"250 V"'])
    characteristic: Literal["FF", "F", "M", "T", "TT"] = Field(examples=['"T"'])
    breaking: Literal["L", "E", "H"] = Field(default="L", examples=['"H"'])
    breaking_capacity_a: SurgeAmps | None = Field(default=None, alias="breaking_capacity")
    melting_i2t_a2s: MeltingIntegral | None = Field(default=None, alias="melting_i2t")


class VaristorRatings(Ratings):
    """A metal-oxide varistor across the line.

    Attributes:
        maximum_ac_v: Maximum continuous AC voltage (rms): its class.
        maximum_dc_v: Maximum continuous DC voltage, or None for the class's.
        voltage_at_1ma_v: Varistor voltage at 1 mA DC, or None for the class's.
        clamping_v: Clamping voltage, or None for the class's.
        clamping_current_a: Current at which it clamps to ``clamping_v``, or None.
        surge_current_a: Largest 8/20 us pulse, or None.
        energy_j: Largest energy of one pulse, or None.
    """

    maximum_ac_v: Volts = Field(alias="maximum_ac", examples=['"150 V"'])
    maximum_dc_v: Volts | None = Field(default=None, alias="maximum_dc")
    voltage_at_1ma_v: Volts | None = Field(default=None, alias="voltage_at_1ma")
    clamping_v: Volts | None = Field(default=None, alias="clamping_voltage")
    clamping_current_a: SurgeAmps | None = Field(default=None, alias="clamping_current")
    surge_current_a: SurgeAmps | None = Field(default=None, alias="surge_current")
    energy_j: Joules | None = Field(default=None, alias="energy")


class XCapacitorRatings(Ratings):
    """A capacitor from line to neutral.

    Attributes:
        capacitance_f: Capacitance.
        voltage_v: Rated AC voltage (rms).
        sub_class: X1, X2 or X3, a Y class (which may stand here), or ``none`` for a part that is no
            interference suppression capacitor at all.
    """

    capacitance_f: Farads = Field(alias="capacitance", examples=['"100 nF"'])
    voltage_v: Volts = Field(alias="voltage", examples=['"275 V"'])
    sub_class: Literal["X1", "X2", "X3", "Y1", "Y2", "Y4", "none"] = Field(
        alias="class", examples=['"X2"']
    )


class YCapacitorRatings(Ratings):
    """A capacitor from line to protective earth, or across the insulation.

    Attributes:
        capacitance_f: Capacitance.
        voltage_v: Rated AC voltage (rms).
        sub_class: Y1, Y2 or Y4, or an X class or ``none``, which do not belong here.
    """

    capacitance_f: Farads = Field(alias="capacitance", examples=['"2.2 nF"'])
    voltage_v: Volts = Field(alias="voltage", examples=['"250 V"'])
    sub_class: Literal["Y1", "Y2", "Y4", "X1", "X2", "X3", "none"] = Field(
        alias="class", examples=['"Y2"']
    )


class LimiterRatings(Ratings):
    """An inrush limiter: a resistor or a negative-temperature-coefficient part in the line.

    Attributes:
        resistance_ohm: Resistance when cold.
        current_a: Largest steady current.
    """

    resistance_ohm: Ohms = Field(alias="resistance", examples=['"5 ohm"'])
    current_a: Amps = Field(alias="current", examples=['"3 A"'])


class CurrentRatings(Ratings):
    """A winding in the line.

    Attributes:
        current_a: Rated current (rms).
    """

    current_a: Amps = Field(alias="current", examples=['"2 A"'])


class DiodeRatings(Ratings):
    """A diode, or each of a bridge.

    Attributes:
        reverse_v: Repetitive peak reverse voltage.
        current_a: Average forward current (of the whole bridge, for a bridge).
        surge_a: Largest single half-sine of current, or None.
    """

    reverse_v: Volts = Field(alias="reverse_voltage", examples=['"600 V"'])
    current_a: Amps = Field(alias="current", examples=['"4 A"'])
    surge_a: SurgeAmps | None = Field(default=None, alias="surge_current")


class ElectrolyticRatings(Ratings):
    """An aluminium electrolytic capacitor.

    Attributes:
        capacitance_f: Capacitance.
        voltage_v: Rated DC voltage.
        surge_v: Surge voltage of the data sheet, or None for the usual of its rated voltage.
        temperature_degc: Rated temperature, or None.
        ripple_current_a: Rated ripple current (rms), or None.
        series_ohm: Equivalent series resistance, or None.
    """

    capacitance_f: Farads = Field(alias="capacitance", examples=['"150 uF"'])
    voltage_v: Volts = Field(alias="voltage", examples=['"200 V"'])
    surge_v: Volts | None = Field(default=None, alias="surge_voltage")
    temperature_degc: Celsius | None = Field(default=None, alias="temperature")
    ripple_current_a: Amps | None = Field(default=None, alias="ripple_current")
    series_ohm: Ohms | None = Field(default=None, alias="series_resistance")


class SwitchRatings(Ratings):
    """The switching transistor.

    Attributes:
        voltage_v: Largest voltage across it.
        current_a: Continuous current, or None.
    """

    voltage_v: Volts = Field(alias="voltage", examples=['"600 V"'])
    current_a: Amps | None = Field(default=None, alias="current")


class _Part(Table):
    """What every part has.

    Attributes:
        name: Its reference on the board.
        replaced: It was replaced; without ``fitted``, by its like.
    """

    name: Name = Field(examples=['"F1"'])
    replaced: Flag = False


class FusePart(_Part, FuseRatings):
    """A fuse in the line."""

    kind: Literal["fuse"]
    fitted: FuseRatings | None = None


class LimiterPart(_Part, LimiterRatings):
    """An inrush limiter in the line."""

    kind: Literal["inrush-limiter"]
    fitted: LimiterRatings | None = None


class VaristorPart(_Part, VaristorRatings):
    """A varistor across the line, behind the fuse.

    Attributes:
        exponent: Exponent of its power law, or None for the one its clamping voltage gives.
    """

    kind: Literal["varistor"]
    exponent: Number | None = Field(default=None, ge=5.0, le=100.0, examples=["30"])
    fitted: VaristorRatings | None = None


class XCapacitorPart(_Part, XCapacitorRatings):
    """A capacitor from line to neutral.

    Attributes:
        bleeder_ohm: Resistance that discharges it, or None where none is known.
    """

    kind: Literal["x-capacitor"]
    bleeder_ohm: Ohms | None = Field(default=None, alias="bleeder")
    fitted: XCapacitorRatings | None = None


class YCapacitorPart(_Part, YCapacitorRatings):
    """A capacitor to protective earth or across the insulation."""

    kind: Literal["y-capacitor"]
    fitted: YCapacitorRatings | None = None


class ChokePart(_Part, CurrentRatings):
    """A common-mode choke in the line.

    Attributes:
        resistance_ohm: Resistance of one winding, or None.
    """

    kind: Literal["common-mode-choke"]
    resistance_ohm: Ohms | None = Field(default=None, alias="resistance")
    fitted: CurrentRatings | None = None


class BridgePart(_Part, DiodeRatings):
    """The bridge rectifier."""

    kind: Literal["bridge"]
    fitted: DiodeRatings | None = None


class DiodePart(_Part, DiodeRatings):
    """The diode at a DC input that keeps a wrong polarity out.

    Attributes:
        place: ``series``: in the line, blocks; ``across``: across the input, takes the current
            until the fuse opens.
    """

    kind: Literal["diode"]
    place: Literal["series", "across"] = Field(examples=['"series"'])
    fitted: DiodeRatings | None = None


class BulkPart(_Part, ElectrolyticRatings):
    """The bulk capacitor."""

    kind: Literal["bulk-capacitor"]
    fitted: ElectrolyticRatings | None = None


class SwitchPart(_Part, SwitchRatings):
    """The switching transistor between bulk capacitor and transformer or choke.

    Attributes:
        reflected_v: Voltage the output reflects across the transformer, or None where unknown; a
            converter without a transformer reflects none.
        spike_v: Allowance for the spike at turn-off, or None.
    """

    kind: Literal["switch"]
    reflected_v: Volts | None = Field(default=None, alias="reflected_voltage")
    spike_v: Volts | None = Field(default=None, alias="spike_allowance")
    fitted: SwitchRatings | None = None


class OutputDiodePart(_Part, DiodeRatings):
    """An output rectifier.

    Attributes:
        output: Name of the output it feeds, or None for the first.
    """

    kind: Literal["output-diode"]
    output: Name | None = None
    fitted: DiodeRatings | None = None


class OutputCapacitorPart(_Part, ElectrolyticRatings):
    """An output capacitor.

    Attributes:
        output: Name of the output it stands across, or None for the first.
    """

    kind: Literal["output-capacitor"]
    output: Name | None = None
    fitted: ElectrolyticRatings | None = None


Part = Annotated[
    FusePart
    | LimiterPart
    | VaristorPart
    | XCapacitorPart
    | ChokePart
    | YCapacitorPart
    | BridgePart
    | DiodePart
    | BulkPart
    | SwitchPart
    | OutputDiodePart
    | OutputCapacitorPart,
    Field(discriminator="kind"),
]

#: The kinds in the usual order of the current path, from the terminals on.
KINDS = (
    "fuse",
    "inrush-limiter",
    "varistor",
    "x-capacitor",
    "common-mode-choke",
    "y-capacitor",
    "diode",
    "bridge",
    "bulk-capacitor",
    "switch",
    "output-diode",
    "output-capacitor",
)
