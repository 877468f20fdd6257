"""The parts of a simulated unit, in SI: each field stands here once, with how a file states it.

A field of a type that files have may stand in a unit model's file, under its name without the unit
unless a :class:`Key` says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated, NamedTuple

from pydantic import AfterValidator, Field

from harness.files.field_types import (
    Amps,
    Celsius,
    Farads,
    Fraction,
    Number,
    Ohms,
    Seconds,
    Volts,
    Watts,
    figure_field,
    mistaken,
)
from harness.unit.part_ratings import Joules, MeltingIntegral

#: 0 degC in kelvin.
KELVIN = 273.15


class Key(NamedTuple):
    """How a file states a field, where its name does not say it."""

    name: str | None = None  #: key in the file; None for the field's name without its unit
    tolerance: bool = False  #: whether the part's ``tolerance`` is that of this field
    needed: bool = False  #: whether a file that has the part's table must say it


def _exponent(value: float) -> float:
    if not 2.0 <= value <= 100.0:
        raise mistaken("an exponent is from 2 to 100; zinc oxide has 25 to 50", "30")
    return value


_Kelvins = Annotated[
    float,
    *figure_field(
        "a B constant",
        {"K": 1.0},
        100.0,
        1e5,
        '"3000 K"',
        outside="not a B constant of a thermistor",
    ),
]
_WattsPerKelvin = Annotated[
    float,
    *figure_field(
        "a dissipation factor",
        {"W/K": 1.0, "mW/K": 1e-3},
        1e-5,
        100.0,
        '"15 mW/K"',
        outside="not a dissipation factor of a thermistor",
    ),
]


_Henries = Annotated[
    float,
    *figure_field(
        "an inductance",
        {"H": 1.0, "mH": 1e-3, "uH": 1e-6},
        0.0,
        0.1,
        '"100 uH"',
        outside="not the stray inductance of a mains filter",
    ),
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Fuse:
    """A fuse-link as one store of heat: dH/dt = i^2 - H / ``heat_time_s``, open at the integral."""

    rating_a: Amps
    melting_i2t_a2s: MeltingIntegral
    #: The root of ``melting_i2t_a2s / heat_time_s`` is the current it carries for ever.
    heat_time_s: float
    resistance_ohm: Ohms  #: cold
    is_open: bool = False  #: has already blown

    @classmethod
    def time_lag(cls, rating_a: float, *, melting_i2t_a2s: float) -> Fuse:
        """Return a time-lag (T) link of ``rating_a`` amperes, with the integral of its sheet.

        Source: Gates of IEC 60127-2, sheet 3: held for an hour at 1.5 times the rating, open within
        2 minutes at 2.1 times. The link of this model carries 1.55 times the rating for ever.
        0.1 V across a new link at its rating: common practice.
        """
        return cls(
            rating_a=rating_a,
            melting_i2t_a2s=melting_i2t_a2s,
            heat_time_s=melting_i2t_a2s / (1.55 * rating_a) ** 2,
            resistance_ohm=0.1 / rating_a,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Varistor:
    """A metal-oxide varistor across the input, behind the fuse: I = K V^exponent.

    Source: A store of heat that fails at the rated energy, though a rating is no limit of
    destruction: common practice, on the safe side.
    """

    voltage_at_1ma_v: Annotated[Volts, Key(tolerance=True)]  #: varistor voltage (IEC 61051-1)
    exponent: Annotated[Number, AfterValidator(_exponent)] = 30.0
    energy_j: Joules = math.inf  #: heat at which it fails and stays shorted; infinite: never
    cooling_s: Annotated[Seconds, Key("cooling_time")] = 60.0  #: time constant of its heat
    failed_ohm: Annotated[Ohms, Key("failed_resistance")] = 0.4

    @property
    def law(self) -> tuple[float, float]:
        """Voltage at 1 mA and exponent, as :mod:`harness.unit.formulas` takes them."""
        return self.voltage_at_1ma_v, self.exponent


@dataclass(frozen=True, kw_only=True, slots=True)
class InrushLimiter:
    """An NTC thermistor in series with the rectifier, as one store of heat.

    Source: The quantities are those of IEC 60539-1 (from memory); the store of heat is textbook.
    """

    #: Zero-power resistance at 25 degC.
    cold_ohm: Annotated[
        Ohms,
        Key("cold_resistance", tolerance=True, needed=True),
        Field(examples=['"10 ohm"']),
    ]
    beta_k: _Kelvins = 3000.0  #: constant B of the material
    dissipation_w_per_k: _WattsPerKelvin = 0.015  #: keeps it one kelvin above its surroundings
    heat_time_s: Seconds = 60.0  #: with the dissipation it gives the heat capacity
    ambient_degc: Celsius = 25.0

    def resistance_ohm(self, temperature_degc: float) -> float:
        """Return its resistance at a temperature.

        Source: R = R25 exp(B (1/T - 1/298.15 K)): the beta equation, textbook.
        """
        inverse = 1.0 / (temperature_degc + KELVIN) - 1.0 / (25.0 + KELVIN)
        return self.cold_ohm * math.exp(self.beta_k * inverse)

    def warmed_degc(self, temperature_degc: float, power_w: float, duration_s: float) -> float:
        """Return its temperature after ``duration_s`` at an even power.

        Source: C dT/dt = P - D (T - Ta) with C = D times the time constant: textbook.
        """
        final_degc = self.ambient_degc + power_w / self.dissipation_w_per_k
        left = math.exp(-duration_s / self.heat_time_s)
        return final_degc + (temperature_degc - final_degc) * left


@dataclass(frozen=True, kw_only=True, slots=True)
class Rectifier:
    """Series diode of a DC input, or bridge of an AC input."""

    drop_v: Volts  #: of the whole path, one diode or two of a bridge, at ``drop_at_a``
    drop_at_a: Annotated[Amps, Key("drop_current")] = 1.0
    #: By how much the drop grows for each e times the current: n k T / q of the path's junctions
    #: together. Zero: the drop is the same at any current. AC only.
    emission_v: Annotated[Volts, Key("emission_voltage"), Field(examples=['"88 mV"'])] = 0.0
    #: Diodes and tracks; a warm inrush limiter may be part of it where none is named.
    resistance_ohm: Ohms
    #: AC only: what the filter before the bridge puts into the path, chokes and strays together.
    inductance_h: Annotated[_Henries, Key("inductance")] = 0.0
    conducts_positive: bool = True  #: False if the path for a positive input is open
    conducts_negative: bool = True  #: False if the path for a negative input is open; AC only
    limiter: InrushLimiter | None = None  #: on top of the resistance
    #: AC only: on top of the resistance until the converter first runs, and whenever it does not: a
    #: limiter whose warming counts as done by then, or one that a contact bridges. What an
    #: ohmmeter shows across it. Zero where none is there.
    cold_limiter_ohm: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Bulk:
    """The bulk capacitor."""

    capacitance_f: Annotated[Farads, Key(tolerance=True)]
    nominal_capacitance_f: float  #: printed on it
    series_resistance_ohm: Ohms
    leakage_ohm: Ohms  #: own leakage and bleeder together
    #: Extra leakage path at first power after a long rest; infinite for none.
    forming_ohm: Annotated[Ohms, Key("forming_leakage")] = math.inf
    forming_s: Annotated[Seconds, Key("forming_time")] = math.inf  #: how fast it goes
    forming_v: float = math.inf  #: the voltage that the unit works at
    #: Series resistance of the dried-out capacitor goes with the share left to this power, down.
    ageing: float

    def forming_left(self, share: float, bulk_v: float, duration_s: float) -> float:
        """Return the share of the extra leakage that is left after ``duration_s`` at ``bulk_v``.

        It falls to 1/e for every time constant spent at the forming voltage, more slowly at less,
        in proportion.

        Source: An exponential fall towards the leakage of a formed capacitor: common practice, a
        simplification of the power of time that sheets show.
        """
        return share * math.exp(-duration_s * max(bulk_v, 0.0) / (self.forming_s * self.forming_v))

    def aged(self, left_frac: float) -> Bulk:
        """Return the capacitor dried out: so much of the printed capacitance left.

        Series resistance rises as capacitance falls, so that one number says how old it is.

        Source: The electrolyte in the paper carries both: common practice. End of life on sheets is
        20 to 30 % lost (endurance, IEC 60384-4, from memory).
        """
        return replace(
            self,
            capacitance_f=left_frac * self.nominal_capacitance_f,
            series_resistance_ohm=self.series_resistance_ohm / left_frac**self.ageing,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Converter:
    """The switching converter between bulk capacitor and the output that is metered and loaded.

    Input power is ``idle_power_w`` + Pout (1 + ``proportional_loss_frac`` +
    ``square_loss_frac`` Pout / Pnominal): a fixed, a proportional and a resistive loss, at nominal
    bulk voltage.
    """

    start_v: Volts  #: bulk voltage at which it starts
    stop_v: Volts  #: bulk voltage below which it stops
    starts: bool = True  #: False if it never does
    #: Voltage of the enable input from which on it may start; None: it always may.
    enable_v: float | None = None
    #: From a stop to the next start: its own supply has to be charged first (common practice).
    restart_delay_s: Seconds
    soft_start_s: Seconds  #: from zero to nominal output
    #: Bulk voltages below and above which it gives in to its nominal output power: it stops, and
    #: tries again. At a share s of that power, below s times the one and above 1/s times the other.
    gives_in_below_v: float = 0.0
    gives_in_above_v: float = math.inf
    idle_power_w: Watts
    proportional_loss_frac: Fraction
    square_loss_frac: Fraction
    loss_by_line: float = 0.0  #: all three go with bulk voltage over nominal, to this power
    #: Without load, at nominal bulk voltage.
    output_v: Annotated[Volts, Key("output_voltage", tolerance=True)]
    output_nominal_a: float
    output_limit_a: Amps  #: it cannot pass more; infinite where the limit is lost
    output_resistance_ohm: Ohms
    output_capacitance_f: Farads  #: filled during soft start
    output_bleed_ohm: Ohms  #: empties the output capacitor when it does not run
    nominal_bulk_v: float
    line_regulation_frac: float = 0.0  #: change of output voltage when bulk voltage doubles
    line_rejection_frac: float = 0.0  #: bulk ripple that comes through to the output
    switching_ripple_v: Volts  #: rms, at nominal current, bulk capacitor healthy
    ripple_at_idle_frac: float = 1.0  #: share of it that is there without load
    #: Its growth for each whole printed capacitance that the bulk capacitor has too little.
    ripple_by_bulk_frac: float = 0.0

    @property
    def output_nominal_w(self) -> float:
        """Nominal output power."""
        return self.output_v * self.output_nominal_a

    @property
    def loss_w(self) -> float:
        """Loss at nominal output and bulk voltage, the idle power included."""
        return self.input_power_w(self.output_nominal_w) - self.output_nominal_w

    def input_power_w(self, output_power_w: float, bulk_frac: float = 1.0) -> float:
        """Return the power taken from the bulk capacitor at ``bulk_frac`` of its nominal voltage.

        In watts. Source: loss that is constant, in proportion and in the square: textbook; its
        course over bulk voltage is an assumption.
        """
        share = output_power_w / self.output_nominal_w
        loss = self.proportional_loss_frac + self.square_loss_frac * share
        loss_w = self.idle_power_w + output_power_w * loss
        return output_power_w + loss_w * math.pow(bulk_frac, self.loss_by_line)


@dataclass(frozen=True, kw_only=True, slots=True)
class Rail:
    """A further output: a winding of the main converter, or of the standby one."""

    name: str
    ratio: float  #: its voltage over that of its converter's first output; below zero: negative
    resistance_ohm: float = 0.0  #: of winding, rectifier and leads, which its own load drops
    of_standby: bool = False
    #: Whether it is a signal: high while the main output is up.
    is_logic: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """The case of a small enclosed unit, as one store of heat. Source: textbook."""

    rise_k_per_w: float  #: above its surroundings, for each watt of loss
    heating_s: float  #: time constant
    fan_sticks: bool = False  #: its bearing does not let it turn
    air_frac: float = 1.0  #: air at the outlet, of what a healthy unit blows
