"""What a meter and a power meter read of the simulated circuit, as live values."""

from __future__ import annotations

from collections.abc import Callable

from harness.rehearse.circuit import Circuit
from harness.rehearse.output_side import OutputSide
from harness.rehearse.readings import cold_resistance_ohm, place_voltage_v
from harness.rehearse.simulated_instruments import Live

#: What makes an instrument's reading of a true value, by quantity.
Reader = Callable[[str], Callable[[float], float]]

#: A meter answers a resistance across a live circuit with overload (SCPI-1999 vol. 1, 7.2.1).
_OVERLOAD = 9.9e37
#: What has no value is answered with not-a-number (as above); so is a power factor of next to none.
_NOT_A_NUMBER, _NO_POWER_VA = 9.91e37, 1e-3
#: The largest resistance the simulated meter shows.
_MOST_OHM = 100e6


def as_meter(
    circuit: Circuit,
    outputs: OutputSide,
    where: Callable[[], str],
    case_degc: Callable[[], float],
    reader: Reader,
) -> dict[str, Live]:
    """Return what a meter reads whose leads stand ``where`` it says: a place, or an output."""
    voltage_ac, resistance = reader("voltage_ac"), reader("resistance")

    def output() -> str:
        return where().removeprefix("output").strip()

    def volts() -> float:
        at = where()
        return outputs.voltage_v(output()) if _is_output(at) else place_voltage_v(circuit, at)

    def ripple() -> float:
        ripple_v = outputs.ripple_v(output()) if _is_output(where()) else 0.0
        return abs(voltage_ac(ripple_v))  # a true rms reading cannot fall below zero

    def ohms() -> float:
        ohm = cold_resistance_ohm(circuit, where())
        # the leads of a two-wire measurement only ever add, and a reading is never below zero
        shown = abs(resistance(ohm)) if ohm <= _MOST_OHM else _OVERLOAD
        return shown if shown <= _MOST_OHM else _OVERLOAD

    return {
        "voltage_dc": _shown(reader("voltage_dc"), volts),
        "voltage_ac": Live(ripple),
        "current_dc": _shown(reader("current_dc"), lambda: outputs.current_a(output())),
        "resistance": Live(ohms),
        "temperature": _shown(reader("temperature"), case_degc),
    }


def as_power_meter(circuit: Circuit, window_s: float, reader: Reader) -> dict[str, Live]:
    """Return what a power meter in the feed reads, over its acquisition ``window_s``."""
    factor, hertz = reader("power_factor"), reader("frequency")

    def power_factor() -> float:
        apparent_va = circuit.source_voltage_v(window_s) * circuit.source_current_a(window_s)
        if apparent_va <= _NO_POWER_VA:
            return _NOT_A_NUMBER
        return factor(circuit.source_power_w(window_s) / apparent_va)

    def frequency() -> float:
        on = circuit.source_on and circuit.source.kind == "ac"
        return hertz(circuit.setting.frequency_hz) if on else _NOT_A_NUMBER

    return {
        "measured_voltage": _shown(reader("voltage"), lambda: circuit.source_voltage_v(window_s)),
        "measured_current": _shown(reader("current"), lambda: circuit.source_current_a(window_s)),
        "measured_power": _shown(reader("power"), lambda: circuit.source_power_w(window_s)),
        "measured_power_factor": Live(power_factor),
        "measured_frequency": Live(frequency),
    }


def _shown(read: Callable[[float], float], true: Callable[[], float]) -> Live:
    return Live(lambda: read(true()))


def _is_output(where: str) -> bool:
    return where.partition(" ")[0] == "output"
