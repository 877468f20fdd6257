"""The simulated circuit of each netlist beside this file, and the same figures from it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise

from harness.rehearse.boost_stage import Boost
from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.circuit.boosted_half import BoostedHalf
from harness.rehearse.circuit.network import Drive
from harness.rehearse.unit_model import Defects, UnitModel
from harness.rehearse.unit_parts import (
    KELVIN,
    Bulk,
    Case,
    Converter,
    Fuse,
    InrushLimiter,
    Rectifier,
    Varistor,
)
from tests.references.ngspice.boards import in_phases
from tests.references.ngspice.chargers import FEED, on_the_line, to_the_end
from tests.references.ngspice.rails import two_windings
from tests.rehearse.circuit.line_period import (
    bulk_highest_v,
    bulk_swing_v,
    bulk_voltage_mean_v,
    source_peak_current_a,
)

Values = Mapping[str, float]

#: Forward drop of two of the netlists' bridge diodes at 2 A, and of the series diode at 0.3 A.
BRIDGE_V, BRIDGE_A, SERIES_V = 1.7, 2.0, 0.2
#: Two junctions of N = 1.7 at ngspice's 27 degC: k T / q is 25.87 mV there.
BRIDGE_EMISSION_V = 2.0 * 1.7 * 25.87e-3


def converter(**changes: float | bool) -> Converter:
    """A converter without losses of its own, apart from what ``changes`` says."""
    values: dict[str, float | bool] = {
        "start_v": 1.0,
        "stop_v": 0.5,
        "idle_power_w": 0.0,
        "proportional_loss_frac": 0.0,
        "square_loss_frac": 0.0,
        "output_v": 5.0,
        "output_nominal_a": 2.0,
        "output_limit_a": 100.0,
        "output_resistance_ohm": 0.0,
        "output_capacitance_f": 1e-6,
        "output_bleed_ohm": 1e6,
        "nominal_bulk_v": 24.0,
        "restart_delay_s": 0.05,
        "soft_start_s": 0.02,
        "switching_ripple_v": 0.0,
    }
    return Converter(**{**values, **changes})  # type: ignore[arg-type]


def fuse() -> Fuse:
    """A fuse that is not there: no resistance, never opens."""
    return Fuse(rating_a=1e4, melting_i2t_a2s=1e12, heat_time_s=1e3, resistance_ohm=0.0)


def unit(values: Values, kind: str, drop_v: float, convert: Converter) -> UnitModel:
    """The unit of a netlist, from its parameters."""
    return UnitModel(
        input_kind="dc" if kind == "dc" else "ac",
        fuse=fuse(),
        varistor=_varistor(values),
        rectifier=Rectifier(
            drop_v=drop_v,
            drop_at_a=BRIDGE_A,
            emission_v=0.0 if kind == "dc" else BRIDGE_EMISSION_V,
            # A limiter stands in the place of the netlist's resistor.
            resistance_ohm=values.get("rseries", 1e-9),
            inductance_h=values.get("lfilter", 0.0),
            limiter=_limiter(values),
        ),
        defects=Defects(shorted_leg_ohm=values.get("rshort", float("inf"))),
        bulk=Bulk(
            capacitance_f=values["cbulk"],
            nominal_capacitance_f=values["cbulk"],
            series_resistance_ohm=values["resr"],
            leakage_ohm=values["rleak" if kind == "dc" else "rload"],
            forming_ohm=values.get("rextra", math.inf),
            forming_s=values.get("tform", math.inf),
            forming_v=values.get("vform", math.inf),
            ageing=1.0,
        ),
        converter=convert,
        case=Case(rise_k_per_w=4.0, heating_s=600.0),
    )


def _varistor(values: Values) -> Varistor | None:
    if "v1ma" not in values:
        return None
    return Varistor(voltage_at_1ma_v=values["v1ma"], exponent=values["alpha"])


def _limiter(values: Values) -> InrushLimiter | None:
    if "rcold" not in values:
        return None
    return InrushLimiter(
        cold_ohm=values["rcold"],
        beta_k=values["beta"],
        dissipation_w_per_k=values["dissip"],
        heat_time_s=values["tau"],
    )


def dc_circuit(values: Values, convert: Converter) -> Circuit:
    """The supply and input network of ``dc_supply.inc``, just switched on."""
    source = replace(
        DC_SUPPLY,
        resistance_ohm=values["rreg"],
        wiring_ohm=values["rline"],
        output_capacitance_f=values["cout"],
    )
    circuit = circuit_of(unit(values, "dc", SERIES_V, convert), source)
    circuit.set_source(voltage_v=values["vset"], current_limit_a=values["ilimit"], on=True)
    return circuit


def fed_circuit(values: Values, *, backwards: bool = False) -> Circuit:
    """The supply of ``bridge_dc.inc`` on an AC unit, just switched on.

    Constant power is idle power here.
    """
    power_w = values["pload"]
    convert = converter(
        start_v=100.0, stop_v=90.0, starts=power_w > 0.0, idle_power_w=power_w, soft_start_s=1e-3
    )
    model = replace(unit(values, "ac", BRIDGE_V, convert), feed="dc")
    source = replace(
        DC_SUPPLY,
        resistance_ohm=values["rreg"],
        wiring_ohm=values["rline"],
        output_capacitance_f=values["cout"],
    )
    circuit = circuit_of(model, source)
    circuit.turn_leads(backwards=backwards)
    circuit.set_source(voltage_v=values["vset"], current_limit_a=values["ilimit"], on=True)
    return circuit


def boost(values: Values) -> Boost:
    """The boost stage of ``boost.inc``: it runs at once, and its current is a sine."""
    return Boost(
        held_v=values["vheld"],
        start_v=math.sqrt(2.0) * values["vrms"] - 1.0,
        stop_v=0.5,
        delay_s=0.0,
        soft_start_s=0.05,
        loss_frac=values["loss"],
        limit_a=100.0,
        distortion_frac=0.0,
        filter_f=values["cx"],
        line_peak_v=math.sqrt(2.0) * values["vrms"],
    )


def ac_circuit(values: Values, **changes: bool) -> Circuit:
    """The line, bridge and load of ``rectifier.inc``, just switched on.

    Constant power is idle power here. ``changes`` go to the rectifier.
    """
    power_w = values.get("pload", 0.0)
    convert = converter(
        start_v=60.0, stop_v=50.0, starts=power_w > 0.0, idle_power_w=power_w, soft_start_s=1e-3
    )
    model = unit(values, "ac", BRIDGE_V, convert)
    model = replace(model, rectifier=replace(model.rectifier, **changes))
    if "vheld" in values:
        model = replace(model, boost=boost(values))
    source = replace(
        AC_SOURCE,
        resistance_ohm=0.0,
        wiring_ohm=values["rline"],
        inductance_h=values["lline"],
        crest_factor=1e3,
        switch_on_deg=values.get("phase", 0.0),
    )
    circuit = circuit_of(model, source)
    # The netlist's line has no limit.
    circuit.set_source(
        voltage_v=values["vrms"], current_limit_a=1e3, frequency_hz=values["fline"], on=True
    )
    return circuit


def start_circuit(values: Values) -> Circuit:
    """The converter of ``start_constant_power.cir`` on its supply, loaded and just switched on."""
    convert = converter(
        start_v=values["vstart"],
        stop_v=values["vstop"],
        soft_start_s=values["tsoft"],
        output_v=values["vnom"],
        output_capacitance_f=values["cnvout"],
        idle_power_w=values["pidle"],
        proportional_loss_frac=values["ploss"],
        square_loss_frac=values["psquare"],
    )
    circuit = dc_circuit(values, convert)
    circuit.set_load(value=values["iload"], on=True)
    return circuit


# --- the figures -------------------------------------------------------------------------------


def _limiter_k(circuit: Circuit) -> float:
    changes = circuit.changes
    return float(changes.limiter_degc) + KELVIN


def _at_rest(values: Values, **changes: bool) -> dict[str, float]:
    """A rectifier once it repeats."""
    circuit = ac_circuit(values, **changes)
    circuit.advance_to(3.0 if "rcold" in values else 0.6)
    found = {
        "bulk_mean": bulk_voltage_mean_v(circuit, 0.1),
        "bulk_swing": bulk_swing_v(circuit),
        "current_rms": circuit.source_current_a(0.1),
        "current_peak": source_peak_current_a(circuit),
        "power_mean": circuit.source_power_w(0.1),
        "power_factor": circuit.source_power_w(0.1)
        / (circuit.source_current_a(0.1) * values["vrms"]),
    }
    return {**found, "limiter_k": _limiter_k(circuit)} if "rcold" in values else found


def _first_charge(values: Values) -> dict[str, float]:
    """A bulk capacitor filled from the line; the converter's start is read off its output."""
    circuit = ac_circuit(values)
    ramp_s, nominal_v = 1.0, 100.0
    convert = converter(start_v=130.0, stop_v=1.0, soft_start_s=ramp_s, output_v=nominal_v)
    model = replace(circuit.model, converter=convert)
    circuit = circuit_of(model, circuit.source)
    circuit.set_source(
        voltage_v=values["vrms"], current_limit_a=1e3, frequency_hz=values["fline"], on=True
    )
    peak_a = 0.0
    for half in range(1, 15):
        circuit.advance_to(half * 0.5 / values["fline"] + 1e-9)
        peak_a = max(peak_a, source_peak_current_a(circuit))
    output_v = circuit.converter.output_v
    edge_s = circuit._edge_s
    return {"start_s": edge_s - output_v * ramp_s / nominal_v, "current_peak": peak_a}


def _switched_on(values: Values) -> dict[str, float]:
    """An empty bulk capacitor on a line that comes on at its phase."""
    circuit = ac_circuit(values)
    circuit.advance_to(0.5 / values["fline"])
    return {
        "current_peak": circuit.source_peak_current_a(),
        "bulk_peak": bulk_highest_v(circuit),
    }


def _charged(
    values: Values, level_v: float, end_s: float, looks: Callable[[float, Circuit], None]
) -> tuple[Circuit, float]:
    """Charge, looking every 0.1 ms; return the circuit and the time to a bulk voltage."""
    return _charge(dc_circuit(values, converter(starts=False)), level_v, end_s, looks)


def _charge(
    circuit: Circuit, level_v: float, end_s: float, looks: Callable[[float, Circuit], None]
) -> tuple[Circuit, float]:
    """Charge it, looking every 0.1 ms; return it and the time to a bulk voltage."""
    step_s, charge_s, before_v = 1e-4, float("nan"), 0.0
    for step in range(1, round(end_s / step_s) + 1):
        circuit.advance_to(step * step_s)
        bulk_v = circuit.bulk_v
        if before_v < level_v <= bulk_v:
            charge_s = (step - (bulk_v - level_v) / (bulk_v - before_v)) * step_s
        before_v = bulk_v
        looks(step * step_s, circuit)
    return circuit, charge_s


def _dc_resistor(values: Values) -> dict[str, float]:
    squares: list[float] = []
    circuit, charge_s = _charged(
        values, 20.0, 0.2, lambda _, one: squares.append(one.source_current_a() ** 2)
    )
    return {
        "charge_s": charge_s,
        "bulk_mean": bulk_voltage_mean_v(circuit, 0.05),
        "terminal_mean": circuit.source_voltage_v(0.05),
        "current_mean": circuit.source_current_a(0.05),
        "current_rms": (sum(squares) / len(squares)) ** 0.5,
    }


def _dc_varistor(values: Values) -> dict[str, float]:
    circuit, charge_s = _charged(values, 38.0, 0.2, lambda _, __: None)
    return {
        "charge_s": charge_s,
        "bulk_mean": bulk_voltage_mean_v(circuit, 0.05),
        "terminal_mean": circuit.source_voltage_v(0.05),
        "current_mean": circuit.source_current_a(0.05),
    }


def _dc_limiter(values: Values) -> dict[str, float]:
    squares: list[float] = []
    kelvins: list[float] = []

    def look(_: float, circuit: Circuit) -> None:
        squares.append(circuit.source_current_a() ** 2)
        kelvins.append(_limiter_k(circuit))

    circuit, charge_s = _charged(values, 20.0, 0.2, look)
    return {
        "charge_s": charge_s,
        "bulk_mean": bulk_voltage_mean_v(circuit, 0.05),
        "limiter_k": max(kelvins),
        "current_rms": (sum(squares) / len(squares)) ** 0.5,
    }


def _forms(values: Values) -> dict[str, float]:
    seen: dict[float, float] = {}

    def look(time_s: float, circuit: Circuit) -> None:
        seen[round(time_s, 4)] = circuit.source_current_a()

    _, charge_s = _charged(values, 20.0, 0.4, look)
    return {
        "charge_s": charge_s,
        "current_first": seen[0.06],
        "current_later": seen[0.2],
        "current_last": seen[0.4],
    }


def _fed(
    values: Values, level_v: float, end_s: float, *named: str, backwards: bool = False
) -> dict[str, float]:
    """An AC unit on DC: the named figures of it."""
    made = fed_circuit(values, backwards=backwards)
    circuit, charge_s = _charge(made, level_v, end_s, lambda _, __: None)
    found = {
        "charge_s": charge_s,
        "bulk_mean": bulk_voltage_mean_v(circuit, 0.05),
        "terminal_mean": circuit.source_voltage_v(0.05),
        "current_mean": circuit.source_current_a(0.05),
    }
    return {name: found[name] for name in named or found}


def _lifted(values: Values) -> dict[str, float]:
    """A boost stage that draws evenly from the peak of the line on, half-cycle by half-cycle."""
    circuit = ac_circuit(values)
    half_s, bulk_v = 0.5 / values["fline"], values["vbegin"]
    drive = Drive(
        peak_v=math.sqrt(2.0) * values["vrms"],
        frequency_hz=values["fline"],
        clamp_a=math.inf,
        source_ohm=0.0,
        conducts=True,
    )
    seen = [(0.0, bulk_v)]
    squares, powers = [], []
    for number in range(1, 16):
        half = BoostedHalf(
            circuit._network,
            circuit.converter,
            drive,
            bulk_v,
            (0.0, half_s),
            boost=boost(values),
            siemens=values["gbegin"],
        )
        half.run(half_s)
        bulk_v = half.bulk_v
        seen.append((number * half_s, bulk_v))
        squares.append(half.means.current)
        powers.append(half.means.power_w)
    times_s, bulk = zip(*seen, strict=True)
    count = round(0.1 / half_s)
    return {
        "start_s": next(
            before_s + (level - before) / (after - before) * half_s
            for (before_s, before), (_, after) in pairwise(seen)
            for level in [350.0]
            if before < level <= after
        ),
        "bulk_early": bulk[times_s.index(0.05)],
        "bulk_late": bulk[count],
        "current_rms": (sum(squares[:count]) / count) ** 0.5,
        "power_mean": sum(powers[:count]) / count,
    }


_SPECIAL: dict[str, Callable[[Values], dict[str, float]]] = {
    "open_diode_120v_60hz_power": lambda values: _at_rest(values, conducts_negative=False),
    "start_120v_60hz": _first_charge,
    "switch_on_120v_limited": _switched_on,
    "switch_on_120v_bare": _switched_on,
    "dc_24v_resistor": _dc_resistor,
    "varistor_45v_dc": _dc_varistor,
    "limiter_24v_charge": _dc_limiter,
    "forming_24v": _forms,
    "bridge_60v_dc_charge": lambda values: _fed(values, 40.0, 0.5),
    "bridge_170v_dc_power": lambda values: _fed(values, 80.0, 0.3),
    "bridge_dc_shorted_leg": lambda values: _fed(
        values, 12.0, 0.3, "charge_s", "bulk_mean", "terminal_mean"
    ),
    "bridge_dc_shorted_leg_backwards": lambda values: _fed(
        values, 1.0, 0.3, "terminal_mean", "current_mean", backwards=True
    ),
    "board_120v_60hz": lambda values: in_phases(values, ac_circuit(values), converter),
    "rails_cross": lambda values: two_windings(values, dc_circuit(FEED, converter())),
    "charger_battery": lambda values: to_the_end(values, dc_circuit(FEED, converter())),
    "charger_100v_50hz": lambda values: on_the_line(values, ac_circuit(values), converter),
    "boost_start_100v_50hz": _lifted,
}


def figures(name: str, values: Values) -> dict[str, float]:
    """Return what the simulator gives for the figures of a netlist.

    Args:
        name: The netlist.
        values: Its parameters, in SI.
    """
    return _SPECIAL.get(name, _at_rest)(values)
