"""The simulated unit in component values: what the circuit needs to know, all in SI."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

from harness.rehearse.changing_parts import Forming, InrushLimiter, Onset
from harness.unit.nameplate import Output, Unit

__all__ = [
    "Bulk",
    "Converter",
    "Defects",
    "Fuse",
    "Intermittence",
    "Rectifier",
    "UnitModel",
    "Varistor",
    "typical_model",
]

#: Preferred fuse ratings in amperes: the R10 series, as IEC 60127-2 rates its links.
_FUSE_RATINGS_A = tuple(
    step * 10.0**decade
    for decade in (-2, -1, 0, 1)
    for step in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
)

#: Faults are there from the beginning unless something else is said.
_AT_ONCE = Onset()


@dataclass(frozen=True, kw_only=True, slots=True)
class Fuse:
    """A fuse-link as one store of heat: dH/dt = i^2 - H / ``heat_time_s``, open at the integral.

    Attributes:
        rating_a: Rated current.
        melting_i2t_a2s: Melting integral: H at which the element parts, in A^2 s.
        heat_time_s: Time constant with which the element loses heat. The root of
            ``melting_i2t_a2s / heat_time_s`` is the current it carries for ever.
        resistance_ohm: Cold resistance.
        is_open: True if it has already blown.
    """

    rating_a: float
    melting_i2t_a2s: float
    heat_time_s: float
    resistance_ohm: float
    is_open: bool = False

    @classmethod
    def time_lag(cls, rating_a: float, *, melting_i2t_a2s: float | None = None) -> Fuse:
        """Return a time-lag (T) link of ``rating_a`` amperes.

        Args:
            rating_a: Rated current.
            melting_i2t_a2s: From the maker's sheet; left out, 15 times the rating squared.

        Source:
            Gates of IEC 60127-2, sheet 3: held for an hour at 1.5 times the rating, open within
            2 minutes at 2.1 times. The link of this model carries 1.55 times the rating for ever.
            15 In^2 s and 0.1 V across a new link at its rating: common practice.
        """
        integral = 15.0 * rating_a**2 if melting_i2t_a2s is None else melting_i2t_a2s
        return cls(
            rating_a=rating_a,
            melting_i2t_a2s=integral,
            heat_time_s=integral / (1.55 * rating_a) ** 2,
            resistance_ohm=0.1 / rating_a,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Varistor:
    """A metal-oxide varistor across the input, behind the fuse: I = K V^exponent.

    Attributes:
        voltage_at_1ma_v: Varistor voltage: the voltage at 1 mA DC (IEC 61051-1).
        exponent: Non-linearity exponent; zinc oxide 25 to 50.
        energy_j: Heat at which it fails and stays shorted; infinite: it never does.
        cooling_s: Time constant with which it loses heat.
        failed_ohm: What it is then.

    Source:
        A store of heat that fails at the rated energy, though a rating is no limit of
        destruction: common practice, on the safe side.
    """

    voltage_at_1ma_v: float
    exponent: float = 30.0
    energy_j: float = math.inf
    cooling_s: float = 60.0
    failed_ohm: float = 0.4

    @property
    def law(self) -> tuple[float, float]:
        """Voltage at 1 mA and exponent, as :mod:`harness.unit.varistor` takes them."""
        return self.voltage_at_1ma_v, self.exponent


@dataclass(frozen=True, kw_only=True, slots=True)
class Rectifier:
    """Series diode of a DC input, or bridge of an AC input.

    Attributes:
        drop_v: Forward drop of the whole path: one diode, or two of a bridge.
        drop_at_a: Current at which it is that.
        emission_v: By how much the drop grows for each e times the current: n k T / q of the path's
            junctions together. Zero: the drop is the same at any current. AC only.
        resistance_ohm: Resistance behind the varistor: diodes, tracks. Constant; a warm inrush
            limiter may be part of it where none is named.
        conducts_positive: False if the path for a positive input is open.
        conducts_negative: False if the path for a negative input is open; unused for DC.
        limiter: Inrush limiter on top of the resistance, or None.
    """

    drop_v: float
    resistance_ohm: float
    conducts_positive: bool = True
    conducts_negative: bool = True
    limiter: InrushLimiter | None = None
    drop_at_a: float = 1.0
    emission_v: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Bulk:
    """The bulk capacitor.

    Attributes:
        capacitance_f: What it has now.
        nominal_capacitance_f: What is printed on it.
        series_resistance_ohm: Equivalent series resistance.
        leakage_ohm: Own leakage and bleeder together.
        forming: Extra leakage that goes with time at voltage, or None.
    """

    capacitance_f: float
    nominal_capacitance_f: float
    series_resistance_ohm: float
    leakage_ohm: float
    forming: Forming | None = None

    def aged(self, left_frac: float) -> Bulk:
        """Return the capacitor dried out: so much of the printed capacitance left.

        Series resistance rises as capacitance falls, so that one number says how old it is.

        Source:
            The electrolyte in the paper carries both: common practice. End of life on sheets is
            20 to 30 % lost (endurance, IEC 60384-4, from memory).
        """
        return replace(
            self,
            capacitance_f=left_frac * self.nominal_capacitance_f,
            series_resistance_ohm=self.series_resistance_ohm / left_frac,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Converter:
    """The switching converter between bulk capacitor and output.

    Input power is ``idle_power_w`` + Pout (1 + ``proportional_loss_frac`` +
    ``square_loss_frac`` Pout / Pnominal): a fixed, a proportional and a resistive loss.

    Attributes:
        start_v: Bulk voltage at which it starts.
        stop_v: Bulk voltage below which it stops.
        starts: False if it never starts.
        restart_delay_s: After a stop it takes so long before it can start again: its own supply
            has to be charged first (common practice).
        soft_start_s: Time the output takes from zero to nominal.
        idle_power_w: Input power with nothing at the output.
        proportional_loss_frac: Loss in proportion to output power.
        square_loss_frac: Loss that grows with the square, as a share of output power at nominal.
        output_v: Output voltage without load at nominal bulk voltage.
        output_nominal_a: Nominal output current.
        output_limit_a: Output current it cannot pass.
        output_resistance_ohm: Output impedance at DC.
        output_capacitance_f: Output capacitor, filled during soft start.
        output_bleed_ohm: What empties the output capacitor when it stands still.
        nominal_bulk_v: Bulk voltage the figures hold at.
        line_regulation_frac: Change of output voltage, as a share, when bulk voltage doubles.
        line_rejection_frac: Bulk ripple that comes through to the output, volt for volt.
        switching_ripple_v: Ripple (rms) from switching at nominal current, bulk capacitor healthy.
    """

    start_v: float
    stop_v: float
    starts: bool = True
    restart_delay_s: float = 0.05
    soft_start_s: float = 0.02
    idle_power_w: float
    proportional_loss_frac: float
    square_loss_frac: float
    output_v: float
    output_nominal_a: float
    output_limit_a: float
    output_resistance_ohm: float
    output_capacitance_f: float
    output_bleed_ohm: float
    nominal_bulk_v: float
    line_regulation_frac: float = 0.002
    line_rejection_frac: float = 0.003
    switching_ripple_v: float

    def input_power_w(self, output_power_w: float) -> float:
        """Return the power taken from the bulk capacitor, in watts."""
        nominal_w = self.output_v * self.output_nominal_a
        share = self.proportional_loss_frac + self.square_loss_frac * output_power_w / nominal_w
        return self.idle_power_w + output_power_w * (1.0 + share)


@dataclass(frozen=True, kw_only=True, slots=True)
class Intermittence:
    """A contact in the input line that opens at random times.

    Attributes:
        closed_s: Mean time closed (exponential).
        open_s: Shortest and longest time open (uniform).
    """

    closed_s: float
    open_s: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Defects:
    """Paths a healthy unit does not have; charge through them is counted as let-through.

    Attributes:
        input_short_ohm: Across the input, behind the fuse: lines or varistor shorted.
        bulk_short_ohm: Across the bulk capacitor: the switch and what is in series with it.
        bulk_leak_ohm: Across the bulk capacitor: the capacitor's own leak.
        shorted_leg_ohm: AC only: a shorted diode of the bridge's positive path, across the line in
            every negative half of it.
        breakdown_v: Bulk voltage at which the switch breaks over and stays shorted.
        breakdown_ohm: What it is then, with what is in series with it.
        intermittence: A bad contact in the input line, or None.
        input_short_onset: When the short across the input shows.
        bulk_short_onset: When the short across the bulk capacitor shows.
        bulk_leak_onset: When the leak shows.
    """

    input_short_ohm: float = math.inf
    bulk_short_ohm: float = math.inf
    bulk_leak_ohm: float = math.inf
    shorted_leg_ohm: float = math.inf
    breakdown_v: float = math.inf
    breakdown_ohm: float = 0.4
    intermittence: Intermittence | None = None
    input_short_onset: Onset = _AT_ONCE
    bulk_short_onset: Onset = _AT_ONCE
    bulk_leak_onset: Onset = _AT_ONCE


@dataclass(frozen=True, kw_only=True, slots=True)
class UnitModel:
    """One unit on the simulated bench.

    Attributes:
        input_kind: ``dc`` or ``ac``.
        fuse: The fuse in the input line.
        varistor: The varistor behind it, or None where none is fitted.
        rectifier: Series diode or bridge.
        bulk: Bulk capacitor.
        converter: Switching converter with the output that is metered and loaded.
        defects: What is wrong with it, where that is an extra path.
    """

    input_kind: Literal["dc", "ac"]
    fuse: Fuse
    varistor: Varistor | None
    rectifier: Rectifier
    bulk: Bulk
    converter: Converter
    defects: Defects = field(default_factory=Defects)


def typical_model(unit: Unit) -> UnitModel:
    """Return a healthy unit as the nameplate describes it.

    Only the first output is modelled; a unit without one gets a small output of its own, so that
    its input still behaves. What the nameplate does not say follows the usual proportions of such
    units (common practice, from memory), each stated where it is chosen.

    Args:
        unit: The nameplate.
    """
    line = unit.input
    drop_v = 0.45 if line.kind == "dc" else 1.7
    bulk_v = line.nominal_v * line.peak_factor - drop_v
    output = _first_output(unit)
    bulk_f = line.bulk_capacitance_f or _usual_bulk_f(unit, output)
    return UnitModel(
        input_kind=line.kind,
        fuse=Fuse.time_lag(_fuse_rating_a(1.5 * line.current_a)),
        varistor=_usual_varistor(unit),
        rectifier=Rectifier(
            drop_v=drop_v,
            resistance_ohm=_usual_series_ohm(unit),
            # Two silicon junctions of emission coefficient 1.7 at 300 K, their drop stated at 2 A.
            drop_at_a=2.0,
            emission_v=0.0 if line.kind == "dc" else 2.0 * 1.7 * 0.02585,
        ),
        bulk=Bulk(
            capacitance_f=bulk_f,
            nominal_capacitance_f=bulk_f,
            # An electrolytic capacitor: RC of 50 us at switching frequency, of 50 s on its bleeder.
            series_resistance_ohm=min(50e-6 / bulk_f, 0.3),
            leakage_ohm=50.0 / bulk_f,
        ),
        converter=_usual_converter(unit, output, bulk_f=bulk_f, bulk_v=bulk_v, drop_v=drop_v),
    )


def _first_output(unit: Unit) -> Output:
    """Return the output that is metered and loaded."""
    for output in unit.output.values():
        return output
    power_w = 0.4 * unit.input.nominal_v * unit.input.current_a
    return Output(kind="dc", nominal="5 V", current=f"{max(power_w, 0.5) / 5:.6g} A")  # type: ignore[arg-type]


def _usual_bulk_f(unit: Unit, output: Output) -> float:
    """Return a bulk capacitance: 400 uF an ampere for DC, about 15 % ripple for AC."""
    line = unit.input
    if line.kind == "dc":
        return 400e-6 * line.current_a
    power_w = output.nominal_v * output.current_a / 0.86
    peak_v = line.nominal_v * line.peak_factor
    return power_w / (min(line.frequency_hz) * 0.3 * peak_v**2)


def _fuse_rating_a(least_a: float) -> float:
    """Return the smallest preferred rating that is not below ``least_a``."""
    return next((rating for rating in _FUSE_RATINGS_A if rating >= least_a * 0.999), least_a)


def _usual_varistor(unit: Unit) -> Varistor:
    """Return a varistor whose voltage at 1 mA clears the highest working voltage.

    Source:
        At least 10 % above the working voltage: common practice (a maker's data sheet). For a
        120 V line this gives the 200 V class.
    """
    line = unit.input
    margin = 1.4 if line.kind == "dc" else 1.1
    return Varistor(voltage_at_1ma_v=margin * line.highest_v * line.peak_factor)


def _usual_series_ohm(unit: Unit) -> float:
    """Return the resistance behind the varistor, as a share of nominal voltage over current.

    0.75 % for DC; 1 % for AC, a warm inrush limiter included.
    """
    line = unit.input
    share = 0.0075 if line.kind == "dc" else 0.01
    return share * line.nominal_v / line.current_a


def _usual_converter(
    unit: Unit, output: Output, *, bulk_f: float, bulk_v: float, drop_v: float
) -> Converter:
    """Return the converter of a healthy unit."""
    line = unit.input
    power_w = output.nominal_v * output.current_a
    idle_w = 0.82 * line.idle_power_w
    # 89 % at full load; a heavy idle draw leaves the rest of the loss small, not negative.
    rest_frac = max(1 / 0.89 - 1 - idle_w / power_w, 0.02)
    # It must not start below the threshold of the nameplate: the budget of a healthy unit is
    # only leakage there.
    start_v = 1.02 * line.start_threshold_v * line.peak_factor - drop_v
    # Filling the output must be explained by filling the bulk capacitor (safety rule 6).
    output_f = 0.05 * bulk_f * (bulk_v / output.nominal_v) ** 2
    return Converter(
        start_v=start_v,
        stop_v=0.8 * start_v,
        idle_power_w=idle_w,
        proportional_loss_frac=0.5 * rest_frac,
        square_loss_frac=0.5 * rest_frac,
        output_v=output.nominal_v * 1.002,
        output_nominal_a=output.current_a,
        output_limit_a=1.25 * output.current_a,
        output_resistance_ohm=0.004 * output.nominal_v / output.current_a,
        output_capacitance_f=output_f,
        output_bleed_ohm=500.0 * output.nominal_v / output.current_a,
        nominal_bulk_v=bulk_v,
        switching_ripple_v=0.0004 * output.nominal_v + 0.006,
    )
