"""The simulated unit in component values, and the one that is typical of a nameplate."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from harness.rehearse.boost_stage import Boost
from harness.rehearse.charge_parts import Battery, ChargeStage, typical_battery
from harness.rehearse.laws import Laws
from harness.rehearse.unit_parts import Bulk, Case, Converter, Fuse, Rail, Rectifier, Varistor
from harness.rehearse.work import Work, usual_work
from harness.unit.charger_output import ChargerOutput
from harness.unit.fixed_output import FixedOutput
from harness.unit.nameplate import Input, Output, Unit

#: Preferred fuse ratings in amperes: the R10 series, as IEC 60127-2 rates its links.
_FUSE_RATINGS_A = tuple(
    step * 10.0**decade
    for decade in (-2, -1, 0, 1)
    for step in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
)

#: What winding and rectifier of an output drop at nominal current, as a share of its voltage: of
#: the first one inside its control loop, of any other outside. Data sheets of units with several
#: outputs state cross regulation of 3 % to 10 % (common practice).
_LOOP_DROP, _RAIL_DROP = 0.03, 0.02
#: Share of the idle power that goes into a standby converter (assumption).
_STANDBY_IDLE = 0.2
#: Share of its nominal voltage at which an enable input is seen as pulled: a logic input is high
#: from 0.7 of its supply on and low below 0.3 (common practice); its threshold is in between.
_ENABLE_FRAC = 0.5


#: What a charger draws from a battery, without mains, where its nameplate does not say: common
#: practice.
_DRAIN_A = 1e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Onset:
    """When a fault shows: once both have been met; it stays from then on."""

    time_s: float = 0.0  #: with the supply on
    voltage_v: float = 0.0  #: of the bulk capacitor

    @property
    def is_at_once(self) -> bool:
        """True if it is there from the beginning."""
        return self.time_s <= 0.0 and self.voltage_v <= 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Intermittence:
    """A contact in the input line that opens at random times."""

    closed_s: float  #: mean time (exponential)
    open_s: tuple[float, float]  #: shortest and longest time (uniform)


@dataclass(frozen=True, kw_only=True, slots=True)
class Defects:
    """Paths a healthy unit does not have; charge through them is counted as let-through."""

    input_short_ohm: float = math.inf  #: behind the fuse: lines or varistor shorted
    bulk_short_ohm: float = math.inf  #: the switch and what is in series with it
    bulk_leak_ohm: float = math.inf  #: the capacitor's own leak
    #: AC only: a shorted diode of the bridge's positive path, across the line in every negative
    #: half of it.
    shorted_leg_ohm: float = math.inf
    breakdown_v: float = math.inf  #: bulk voltage at which the switch breaks over, and stays so
    breakdown_ohm: float = 0.4  #: the switch then, with what is in series with it
    intermittence: Intermittence | None = None
    #: When a path shows, by its field here; one that is left out is there from the beginning.
    onsets: Mapping[str, Onset] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class UnitModel:
    """One unit on the simulated bench."""

    input_kind: Literal["dc", "ac"]
    fuse: Fuse
    varistor: Varistor | None  #: None where none is fitted
    rectifier: Rectifier
    bulk: Bulk
    converter: Converter
    case: Case
    boost: Boost | None = None  #: None: a rectifier alone fills the bulk capacitor
    defects: Defects = Defects()
    #: Kind of the supply that feeds it where that is not its input's: DC at an AC unit's.
    feed: Literal["dc"] | None = None
    #: What is between converter and battery; None for a unit that charges none.
    charger: ChargeStage | None = None
    battery: Battery | None = None  #: that a person connects to it
    #: The small converter of a standby rail beside the main one; None where none is.
    standby: Converter | None = None
    #: Every output but the first, or every one of a unit with a standby rail.
    rails: tuple[Rail, ...] = ()
    #: Of winding and rectifier of the first output, inside its control loop: what its current drops
    #: there, the loop adds to every other output (cross regulation).
    loop_ohm: float = 0.0

    #: What it draws beside its converter's own, boot and work; None: nothing.
    work: Work | None = None
    has_output: bool = True  #: whether the converter's output can be got at

    @property
    def fed_kind(self) -> Literal["dc", "ac"]:
        """Kind of the supply that feeds it."""
        return self.feed or self.input_kind


def typical_model(unit: Unit, laws: Laws = Laws()) -> UnitModel:  # noqa: B008 - it is frozen
    """Return a healthy unit as the nameplate describes it, under these laws.

    Any output but the first follows it by its winding, one for standby has a converter of its own;
    a unit without one gets a small output, so that its input still behaves. What the nameplate does
    not say follows the usual proportions of such units (common practice, from memory): in the laws,
    or stated where it is chosen.
    """
    line = unit.input
    is_dc = line.kind == "dc"
    drop_v = laws.diode_drop * (0.45 if is_dc else 1.7)
    peak_v = line.nominal_v * line.peak_factor
    bulk_v = line.boosted_v or peak_v - drop_v
    output = next(iter(unit.output.values()), None) or _small_output(unit)
    usual_f = 400e-6 * line.current_a
    if line.kind == "ac":  # about 15 % ripple
        power_w = output.nominal_v * output.current_a / 0.86
        usual_f = power_w / (min(line.frequency_hz) * 0.3 * peak_v**2)
        if line.boosted_v is not None:
            usual_f = 0.7e-6 * power_w
    bulk_f = line.bulk_capacitance_f or laws.bulk_size * usual_f
    # At least 10 % above the working voltage: common practice (a maker's data sheet). For a 120 V
    # line this gives the 200 V class.
    varistor_v = laws.varistor_class * (1.4 if is_dc else 1.1) * line.highest_v * line.peak_factor
    least_a = 1.5 * line.current_a
    fuse_a = next((rating for rating in _FUSE_RATINGS_A if rating >= least_a * 0.999), least_a)
    return UnitModel(
        input_kind=line.kind,
        fuse=Fuse.time_lag(fuse_a, melting_i2t_a2s=laws.fuse_melting_s * fuse_a**2),
        varistor=Varistor(voltage_at_1ma_v=varistor_v, exponent=laws.varistor_exponent),
        rectifier=Rectifier(
            drop_v=drop_v,
            # A share of nominal voltage over current; for AC a warm inrush limiter included.
            resistance_ohm=laws.input_path
            * (0.0075 if is_dc else 0.01)
            * line.low_nominal_v
            / line.current_a,
            # Two silicon junctions of emission coefficient 1.7 at 300 K, their drop stated at 2 A.
            drop_at_a=2.0,
            emission_v=0.0 if is_dc else 2.0 * 1.7 * 0.02585,
            inductance_h=0.0 if is_dc else laws.filter_inductance_h,
            cold_limiter_ohm=0.0 if is_dc else (peak_v - drop_v) / (laws.inrush * line.current_a),
        ),
        bulk=Bulk(
            capacitance_f=bulk_f,
            nominal_capacitance_f=bulk_f,
            series_resistance_ohm=laws.bulk_resistance * min(50e-6 / bulk_f, 0.3),
            leakage_ohm=laws.bulk_leak_s / bulk_f,
            forming_v=bulk_v,
            ageing=laws.ageing,
        ),
        boost=_usual_boost(line, peak_v, laws),
        converter=_usual_main(unit, output, bulk_f, bulk_v, drop_v, laws),
        standby=_usual_standby(unit, bulk_f, bulk_v, drop_v, laws),
        rails=tuple(rails_of(unit)),
        loop_ohm=_usual_loop_ohm(unit),
        charger=_usual_stage(output, laws) if isinstance(output, ChargerOutput) else None,
        battery=typical_battery(output) if isinstance(output, ChargerOutput) else None,
        work=usual_work(line),
        has_output=bool(unit.output),
        case=Case(rise_k_per_w=laws.case_rise_k_per_w, heating_s=laws.case_heating_s),
    )


def rails_of(unit: Unit) -> Iterator[Rail]:
    """Yield the further outputs of a healthy unit."""
    first = next(iter(unit.output), "")
    standby = next((name for name, each in unit.output.items() if is_standby(each)), "")
    for name, each in unit.output.items():
        base = unit.output[standby if is_standby(each) else first]
        if name == first:
            continue
        own = name == standby
        yield Rail(
            name=name,
            ratio=each.sign * each.nominal_v / base.nominal_v,
            resistance_ohm=0.0 if own else _RAIL_DROP * each.nominal_v / each.current_a,
            of_standby=is_standby(each),
            is_logic=each.kind == "logic",
        )


def is_standby(output: Output) -> bool:
    """Whether an output is alive whatever the enable input says."""
    return isinstance(output, FixedOutput) and output.standby


def _usual_loop_ohm(unit: Unit) -> float:
    """Return what winding and rectifier of the first output drop inside its control loop."""
    first = next(iter(unit.output.values()), None)
    return 0.0 if first is None else _LOOP_DROP * first.nominal_v / first.current_a


def _usual_standby(
    unit: Unit, bulk_f: float, bulk_v: float, drop_v: float, laws: Laws
) -> Converter | None:
    """Return the standby converter of a healthy unit that has one."""
    output = next((each for each in unit.output.values() if is_standby(each)), None)
    if output is None:
        return None
    usual = _usual_converter(unit, output, bulk_f, bulk_v, drop_v, laws)
    share = output.nominal_v * output.current_a / unit.output_power_w
    return replace(
        usual,
        enable_v=None,
        idle_power_w=_STANDBY_IDLE * usual.idle_power_w,
        output_capacitance_f=share * usual.output_capacitance_f,
    )


def _usual_stage(output: ChargerOutput, laws: Laws) -> ChargeStage:
    """Return the charging stage of a healthy charger.

    Source: Common practice, from memory, for what the nameplate does not say: it holds the voltage
    through 10 mV at the current of the charge, and reaches that in a fifth of a second.
    """
    draws_a = _DRAIN_A if output.drain_a is None else output.drain_a
    return ChargeStage(
        current_a=laws.charge_share * output.current_a,
        voltage_v=output.nominal_v,
        resistance_ohm=0.01 / output.current_a,
        wake_v=laws.wake_share * output.wake_v,
        wake_delay_s=laws.wake_delay_s,
        ramp_s=0.2,
        end_current_a=laws.end_share * (output.end_current_a or 0.0),
        end_drop_v=math.inf if output.end_drop_v is None else output.end_drop_v,
        drain_ohm=output.nominal_v / (laws.drain_share * draws_a),
    )


def _usual_boost(line: Input, peak_v: float, laws: Laws) -> Boost | None:
    """Return the boost stage of a healthy unit; None where its nameplate states none."""
    if line.boosted_v is None:
        return None
    start_v = laws.start_margin * line.start_threshold_v * line.peak_factor
    return Boost(
        held_v=line.boosted_v,
        start_v=start_v,
        stop_v=laws.stop_share * start_v,
        delay_s=0.1,
        soft_start_s=laws.boost_soft_start_s,
        loss_frac=laws.boost_loss,
        # Room for the lowest line, and for what a dip took from the capacitor.
        limit_a=1.6 * line.peak_factor * line.current_a,
        distortion_frac=laws.boost_distortion,
        # 0.2 uF for each ampere of nominal current, X capacitors together.
        filter_f=0.2e-6 * line.current_a,
        line_peak_v=peak_v,
    )


def _small_output(unit: Unit) -> FixedOutput:
    power_w = max(0.4 * unit.input.nominal_v * unit.input.current_a, 0.5)
    return FixedOutput.model_validate(
        {"kind": "dc", "nominal": "5 V", "current": f"{power_w / 5:.6g} A"}
    )


def _usual_main(
    unit: Unit, output: Output, bulk_f: float, bulk_v: float, drop_v: float, laws: Laws
) -> Converter:
    """Return the main converter; what a standby one draws beside it is not its own."""
    usual = _usual_converter(unit, output, bulk_f, bulk_v, drop_v, laws)
    if not any(map(is_standby, unit.output.values())):
        return usual
    return replace(usual, idle_power_w=(1.0 - _STANDBY_IDLE) * usual.idle_power_w)


def _usual_converter(
    unit: Unit, output: Output, bulk_f: float, bulk_v: float, drop_v: float, laws: Laws
) -> Converter:
    """Return the converter of a healthy unit."""
    line = unit.input
    power_w = output.nominal_v * output.current_a
    idle_w = laws.idle_share * line.idle_power_w
    # A heavy idle draw leaves the rest of the loss at full load small, not negative.
    rest_frac = max(1 / laws.efficiency - 1 - idle_w / power_w, 0.02)
    # It must not start below the threshold of the nameplate: the budget of a healthy unit is
    # only leakage there.
    start_v = laws.start_margin * line.start_threshold_v * line.peak_factor - drop_v
    # Filling the output must be explained by filling the bulk capacitor (safety rule 6).
    output_f = laws.output_energy * bulk_f * (bulk_v / output.nominal_v) ** 2
    return Converter(
        start_v=start_v,
        enable_v=None if unit.enable is None else _ENABLE_FRAC * (unit.enable.nominal_v or 0.0),
        stop_v=laws.stop_share * start_v,
        restart_delay_s=laws.restart_delay_s,
        soft_start_s=laws.soft_start_s,
        idle_power_w=idle_w,
        proportional_loss_frac=(1.0 - laws.square_loss) * rest_frac,
        square_loss_frac=laws.square_loss * rest_frac,
        loss_by_line=laws.loss_by_line,
        output_v=output.nominal_v * 1.002,
        output_nominal_a=output.current_a,
        output_limit_a=laws.output_limit * output.current_a,
        output_resistance_ohm=laws.droop * output.nominal_v / output.current_a,
        output_capacitance_f=output_f,
        output_bleed_ohm=laws.output_bleed * output.nominal_v / output.current_a,
        nominal_bulk_v=bulk_v,
        line_regulation_frac=laws.line_regulation,
        line_rejection_frac=laws.line_rejection,
        switching_ripple_v=laws.ripple * (0.0004 * output.nominal_v + 0.006),
        ripple_at_idle_frac=laws.ripple_at_idle,
        ripple_by_bulk_frac=laws.ripple_by_bulk,
    )
