"""The charging stage and the battery of ``battery.inc``, and figures of a charge with them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from harness.rehearse.charge_parts import Battery, ChargeStage
from harness.rehearse.circuit import Circuit, circuit_of
from harness.rehearse.unit_model import UnitModel
from harness.rehearse.unit_parts import Converter
from tests.rehearse.circuit.line_period import (
    bulk_swing_v,
    bulk_voltage_mean_v,
    source_peak_current_a,
)

Values = Mapping[str, float]

#: The netlists begin with the charge; here the battery is found first, and the current rises.
FOUND_S = 1e-3
#: A strong supply, in the words of ``dc_supply.inc``.
FEED: Values = {
    "vset": 24.0,
    "ilimit": 10.0,
    "rreg": 0.01,
    "rline": 0.01,
    "cout": 100e-6,
    "cbulk": 470e-6,
    "resr": 0.05,
    "rleak": 1e4,
}


def charging(values: Values, model: UnitModel, circuit: Circuit) -> Circuit:
    """The battery on a charger with this front end, from where the current of the charge flows."""
    stage = ChargeStage(
        current_a=values["icharge"],
        voltage_v=values["vhold"],
        resistance_ohm=values["rhold"],
        wake_v=5.0,
        wake_delay_s=FOUND_S,
        ramp_s=FOUND_S,
        end_current_a=values.get("iend", 0.0),
    )
    made = circuit_of(replace(model, charger=stage), circuit.source)
    setting = circuit.setting
    made.set_source(
        voltage_v=setting.voltage_v,
        current_limit_a=setting.current_limit_a,
        frequency_hz=setting.frequency_hz,
        on=True,
    )
    made.advance_to(1.0)
    empty_v, rise_v = values["vempty"], values["vrise"]
    battery = Battery(
        capacity_c=values["qbatt"],
        resistance_ohm=values["rbatt"],
        curve=((0.0, empty_v), (1.0, empty_v + rise_v)),
    )
    made.connect_battery(battery, values["begin"])
    made.advance_to(1.0 + 2.0 * FOUND_S)
    return made


def to_the_end(values: Values, feed: Circuit) -> dict[str, float]:
    """A charge until it ends, looked at ten times a second; the stage alone is compared."""
    circuit = charging(values, feed.model, feed)
    begin_s = circuit.time_s
    begin_frac = circuit.converter.charged_frac
    found: dict[str, float] = {}
    for tenth in range(1, 2600):
        before_a = circuit.converter.output_a
        circuit.advance_to(begin_s + 0.1 * tenth)
        current_a, terminal_v = circuit.converter.output_a, circuit.converter.output_v
        for at, name in ((200, "first"), (1000, "later")):
            if tenth == at:
                found |= {f"current_{name}": current_a, f"terminal_{name}": terminal_v}
        if tenth == 2000:
            gained = circuit.converter.charged_frac - begin_frac
            found["charge_given"] = gained * values["qbatt"]
        if before_a > values["iend"] >= current_a:
            found["charge_s"] = 0.1 * tenth
    return found


def on_the_line(
    values: Values, line: Circuit, converter: Callable[..., Converter]
) -> dict[str, float]:
    """Half a second of a charge from the line."""
    convert = converter(
        start_v=60.0,
        stop_v=50.0,
        idle_power_w=values["pidle"],
        proportional_loss_frac=values["ploss"],
        output_v=values["vhold"],
        nominal_bulk_v=130.0,
    )
    circuit = charging(values, replace(line.model, converter=convert), line)
    circuit.advance_to(circuit.time_s + 0.6)
    return {
        "bulk_mean": bulk_voltage_mean_v(circuit, 0.1),
        "bulk_swing": bulk_swing_v(circuit),
        "current_rms": circuit.source_current_a(0.1),
        "current_peak": source_peak_current_a(circuit),
        "power_mean": circuit.source_power_w(0.1),
        "terminal_mean": circuit.output_voltage_v(),
        "charge_mean": circuit.converter.output_a,
    }
