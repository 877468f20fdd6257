"""The parts in the path: ratings of each kind, of the part and of what was ``fitted`` instead."""

from __future__ import annotations

from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BeforeValidator, Field

from harness.files.field_types import (
    Amps,
    Celsius,
    Farads,
    Flag,
    Name,
    Number,
    Ohms,
    Table,
    Volts,
    figure_field,
    quantity_field,
    read_line,
)
from harness.quantity import format_quantity

#: Energy of a single pulse.
Joules = Annotated[float, *quantity_field("J", '"42 J"', most=1e6)]
#: A current that flows for a moment: surge, short circuit, breaking capacity.
SurgeAmps = Annotated[float, *quantity_field("A", '"4500 A"', most=1e6)]
#: A power that lasts for a moment: of one pulse.
SurgeWatts = Annotated[float, *quantity_field("W", '"600 W"', most=1e6)]
#: Integral of current squared, in A^2 s.
MeltingIntegral = Annotated[
    float,
    *figure_field(
        "a melting integral",
        {"A2s": 1.0},
        1e-9,
        1e9,
        '"60 A2s"',
        outside="no melting integral of a fuse",
    ),
]

_RatingsT = TypeVar("_RatingsT", bound=Table)

#: What can be seen or measured cold on a part; what it tells is in ``shared/observations.toml``.
_Seen = Literal[
    "burst",
    "burnt",
    "shorted",
    "open",
    "cracked",
    "bulged",
    "leaking",
    "bridged",
    "out of value",
    "soot",
    "corroded",
    "discoloured",
    "bad joint",
]

#: One line of text, longer than a name.
Story = Annotated[
    str,
    BeforeValidator(lambda text: read_line(text, most=500)),
    Field(examples=['"a visitor\'s lead put 230 V on it"']),
]

#: Sub-class of IEC 60384-14; ``none``: no interference suppression capacitor at all.
_SubClass = Literal["X1", "X2", "X3", "Y1", "Y2", "Y4", "none"]


def shown_figure(value: float, unit: str, digits: int = 3) -> str:
    """Show a figure of a part; ``A2s`` takes no prefix, since 200 mA2s could be read two ways."""
    if unit != "A2s":
        return format_quantity(value, unit, digits)
    if value < 10.0**4:
        return f"{value:.{digits}g} A2s" if value < 1000 else f"{value:.0f} A2s"
    mantissa, _, exponent = f"{value:.1e}".partition("e")
    return f"{mantissa}e{int(exponent)} A2s"


# --- ratings --------------------------------------------------------------------------------


class FuseRatings(Table):
    """A fuse-link, with its letters of IEC 60127."""

    current_a: Amps = Field(examples=['"2 A"'])
    voltage_v: Volts = Field(examples=['"250 V"'])
    #: FF very quick, F quick, M medium, T and TT time-lag.
    characteristic: Literal["FF", "F", "M", "T", "TT"] = Field(examples=['"T"'])
    #: L low (35 A or ten times its rating), E 150 A, H 1500 A.
    breaking: Literal["L", "E", "H"] = Field(default="L", examples=['"H"'])
    #: Where it is no letter.
    breaking_capacity_a: SurgeAmps | None = None
    #: Of the data sheet; None: the usual of its letters.
    melting_i2t_a2s: MeltingIntegral | None = None


class VaristorRatings(Table):
    """A metal-oxide varistor across the line; what is None is that of its class."""

    #: Continuous, rms: its class.
    maximum_ac_v: Volts = Field(examples=['"150 V"'])
    maximum_dc_v: Volts | None = None
    voltage_at_1ma_v: Volts | None = None  # DC
    clamping_v: Volts | None = Field(default=None, alias="clamping_voltage")
    #: At which it clamps to ``clamping_v``.
    clamping_current_a: SurgeAmps | None = None
    #: Largest 8/20 us pulse.
    surge_current_a: SurgeAmps | None = None
    energy_j: Joules | None = None  # largest of one pulse


class XCapacitorRatings(Table):
    """A capacitor from line to neutral: rated AC voltage (rms); a Y class may stand here, too."""

    capacitance_f: Farads = Field(examples=['"100 nF"'])
    voltage_v: Volts = Field(examples=['"275 V"'])
    sub_class: _SubClass = Field(alias="class", examples=['"X2"'])


class YCapacitorRatings(Table):
    """A capacitor from line to protective earth, or across the insulation; rms voltage."""

    capacitance_f: Farads = Field(examples=['"2.2 nF"'])
    voltage_v: Volts = Field(examples=['"250 V"'])
    sub_class: _SubClass = Field(alias="class", examples=['"Y2"'])


class LimiterRatings(Table):
    """An inrush limiter in the line: its resistance when cold, its largest steady current."""

    resistance_ohm: Ohms = Field(examples=['"5 ohm"'])
    current_a: Amps = Field(examples=['"3 A"'])


class CurrentRatings(Table):
    """A winding in the line: its rated current (rms)."""

    current_a: Amps = Field(examples=['"2 A"'])


class DiodeRatings(Table):
    """A diode, or each of a bridge."""

    reverse_v: Volts = Field(alias="reverse_voltage", examples=['"600 V"'])  # repetitive peak
    current_a: Amps = Field(examples=['"4 A"'])  # average; of the whole bridge
    #: Largest single half-sine.
    surge_a: SurgeAmps | None = Field(default=None, alias="surge_current")


class ElectrolyticRatings(Table):
    """An aluminium electrolytic capacitor; DC voltages, rms ripple current."""

    capacitance_f: Farads = Field(examples=['"150 uF"'])
    voltage_v: Volts = Field(examples=['"200 V"'])
    surge_v: Volts | None = Field(default=None, alias="surge_voltage")  # None: usual of its rating
    temperature_degc: Celsius | None = None
    ripple_current_a: Amps | None = None
    series_ohm: Ohms | None = Field(default=None, alias="series_resistance")


class SwitchRatings(Table):
    """The switching transistor: largest voltage across it, continuous current or None."""

    voltage_v: Volts = Field(examples=['"600 V"'])
    current_a: Amps | None = None


class SuppressorRatings(Table):
    """A transient-voltage suppressor diode across the input."""

    #: The highest it never conducts at, DC or peak.
    standoff_v: Volts = Field(alias="standoff_voltage", examples=['"28 V"'])
    clamping_v: Volts | None = Field(default=None, alias="clamping_voltage")
    #: Largest of a 10/1000 us pulse.
    pulse_power_w: SurgeWatts | None = Field(default=None, alias="pulse_power")


class PolymerFuseRatings(Table):
    """A fuse of conductive polymer."""

    hold_a: Amps = Field(alias="hold_current", examples=['"1.6 A"'])
    voltage_v: Volts = Field(examples=['"30 V"'])  # the most it may break
    most_a: SurgeAmps | None = Field(default=None, alias="maximum_current")
    #: The largest it may have an hour after it tripped.
    resistance_ohm: Ohms | None = None


class RelayRatings(Table):
    """A relay: rated voltage of its coil, and what its contacts carry."""

    coil_v: Volts = Field(alias="coil_voltage", examples=['"24 V"'])
    current_a: Amps = Field(examples=['"5 A"'])
    coil_ohm: Ohms | None = Field(default=None, alias="coil_resistance")


class ConnectorRatings(Table):
    """A connector in the line."""

    current_a: Amps = Field(examples=['"10 A"'])
    voltage_v: Volts = Field(examples=['"250 V"'])


class RegulatorRatings(Table):
    """A voltage regulator, linear or switching, in one piece."""

    input_v: Volts = Field(alias="input_voltage", examples=['"35 V"'])  # the most it bears
    current_a: Amps = Field(examples=['"1 A"'])


# --- parts ----------------------------------------------------------------------------------


class _Part(Table, Generic[_RatingsT]):
    """What every part has."""

    name: Name = Field(examples=['"F1"'])  # its reference on the board
    replaced: Flag = False  # without ``fitted``: by its like
    kind: str
    fitted: _RatingsT | None = None  # what stands in its place
    #: What was seen on it, or measured cold, before it was replaced.
    observed: tuple[_Seen, ...] = Field(default=(), examples=['["burst", "soot"]'])
    observed_note: Story | None = None
    #: Name of the profile's check that proves it sound where it was over-stressed and stayed in.
    proved_by: Name | None = None


class FusePart(_Part[FuseRatings], FuseRatings):
    """A fuse in the line."""

    kind: Literal["fuse"]


class LimiterPart(_Part[LimiterRatings], LimiterRatings):
    """An inrush limiter in the line."""

    kind: Literal["inrush-limiter"]


class VaristorPart(_Part[VaristorRatings], VaristorRatings):
    """A varistor across the line, behind the fuse."""

    kind: Literal["varistor"]
    #: Of its power law; None: the one its clamping voltage gives.
    exponent: Number | None = Field(default=None, ge=5.0, le=100.0, examples=["30"])


class XCapacitorPart(_Part[XCapacitorRatings], XCapacitorRatings):
    """A capacitor from line to neutral."""

    kind: Literal["x-capacitor"]
    bleeder_ohm: Ohms | None = None  # discharges it


class YCapacitorPart(_Part[YCapacitorRatings], YCapacitorRatings):
    """A capacitor to protective earth or across the insulation."""

    kind: Literal["y-capacitor"]
    #: Where its current goes; None: to earth in class I, else to what can be touched.
    path: Literal["earth", "accessible part"] | None = Field(default=None, examples=['"earth"'])
    #: Name of a chain: capacitors of one chain stand in series.
    chain: Name | None = None


class ChokePart(_Part[CurrentRatings], CurrentRatings):
    """A common-mode choke in the line; resistance of one winding, or None."""

    kind: Literal["common-mode-choke"]
    resistance_ohm: Ohms | None = None


class BridgePart(_Part[DiodeRatings], DiodeRatings):
    """The bridge rectifier."""

    kind: Literal["bridge"]


class DiodePart(_Part[DiodeRatings], DiodeRatings):
    """The diode at a DC input that keeps a wrong polarity out."""

    kind: Literal["diode"]
    #: In series it blocks; across the input it takes the current until the fuse opens.
    place: Literal["series", "across"] = Field(examples=['"series"'])


class BulkPart(_Part[ElectrolyticRatings], ElectrolyticRatings):
    """The bulk capacitor."""

    kind: Literal["bulk-capacitor"]


class SwitchPart(_Part[SwitchRatings], SwitchRatings):
    """The switching transistor between bulk capacitor and transformer or choke."""

    kind: Literal["switch"]
    #: By the output across the transformer; None where unknown, or without a transformer.
    reflected_v: Volts | None = Field(default=None, alias="reflected_voltage")
    spike_v: Volts | None = Field(default=None, alias="spike_allowance")  # at turn-off


class OutputDiodePart(_Part[DiodeRatings], DiodeRatings):
    """An output rectifier; name of the output it feeds, or None for the first."""

    kind: Literal["output-diode"]
    output: Name | None = None


class OutputCapacitorPart(_Part[ElectrolyticRatings], ElectrolyticRatings):
    """An output capacitor; name of the output it stands across, or None for the first."""

    kind: Literal["output-capacitor"]
    output: Name | None = None


class SuppressorPart(_Part[SuppressorRatings], SuppressorRatings):
    """A transient-voltage suppressor diode across the input."""

    kind: Literal["suppressor"]
    bidirectional: Flag = False


class PolymerFusePart(_Part[PolymerFuseRatings], PolymerFuseRatings):
    """A fuse of conductive polymer in the line."""

    kind: Literal["polymer-fuse"]


class RelayPart(_Part[RelayRatings], RelayRatings):
    """A relay whose contacts are in the line."""

    kind: Literal["relay"]
    #: Where its coil is fed from; elsewhere means that the event did not reach it.
    coil_at: Literal["input", "elsewhere"] = Field(default="input", examples=['"input"'])


class ConnectorPart(_Part[ConnectorRatings], ConnectorRatings):
    """A connector in the line."""

    kind: Literal["connector"]


class RegulatorPart(_Part[RegulatorRatings], RegulatorRatings):
    """A regulator fed from the bulk capacitor, or from an output by its name."""

    kind: Literal["regulator"]
    fed_by: Name | None = Field(default=None, examples=['"main"'])  # None: the bulk capacitor


Part = Annotated[
    FusePart
    | PolymerFusePart
    | ConnectorPart
    | RelayPart
    | SuppressorPart
    | RegulatorPart
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
