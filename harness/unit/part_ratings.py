"""What stands on a part of each kind, or in its data sheet: its ratings."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from harness.files.field_types import (
    Amps,
    Celsius,
    Farads,
    Ohms,
    Table,
    Volts,
    figure_field,
    quantity_field,
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


class TransformerRatings(Table):
    """A transformer: what its primary is made for, rms for the line, DC for a converter."""

    voltage_v: Volts = Field(examples=['"120 V"'])
    current_a: Amps | None = None  # of the primary
    resistance_ohm: Ohms | None = None  # of the primary


class RegulatorRatings(Table):
    """A voltage regulator, linear or switching, in one piece."""

    input_v: Volts = Field(alias="input_voltage", examples=['"35 V"'])  # the most it bears
    current_a: Amps = Field(examples=['"1 A"'])
