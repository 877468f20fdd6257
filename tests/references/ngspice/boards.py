"""The board of ``board_120v_60hz.cir``, read by an AC source and judged in windows of time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from harness.bench.sample import SupplySample
from harness.profile.check import Check
from harness.profile.level import Level
from harness.rehearse.circuit import Circuit, circuit_of
from harness.rehearse.circuit.converter import Mode
from harness.rehearse.unit_parts import Converter
from harness.rehearse.work import Work
from harness.run.windows import Windows

#: What a reading is the mean over: whole periods of the line, as in the netlist. And its pace.
AVERAGED_S, APART_S = 0.05, 0.005

#: Figure, what is read, and the window in seconds. Bursts are from 0.7 s on, a period is 0.2 s:
#: the most is a reading within a burst, the least one between two.
WINDOWS = {
    "power_idle": ("mean", "power", 0.1, 0.3),
    "power_boot": ("mean", "power", 0.375, 0.675),
    "power_work": ("mean", "power", 0.775, 1.225),
    "power_burst": ("max", "power", 0.7, 1.2),
    "power_between": ("min", "power", 0.7, 1.2),
    "current_burst": ("max", "current", 0.7, 1.2),
    "current_between": ("min", "current", 0.7, 1.2),
}


def in_phases(
    values: Mapping[str, float], line: Circuit, converter: Callable[..., Converter]
) -> dict[str, float]:
    """From when the converter runs: every window's figure, from readings that are means."""
    convert = converter(start_v=60.0, stop_v=50.0, idle_power_w=values["pidle"], soft_start_s=1e-3)
    work = Work(
        reset_s=values["treset"],
        boot_w=values["pboot"],
        boot_s=values["tboot"],
        steady_w=values["psteady"],
        burst_w=values["pburst"],
        burst_s=values["tburst"],
        period_s=values["tperiod"],
    )
    circuit = circuit_of(replace(line.model, converter=convert, work=work), line.source)
    setting = line.setting
    circuit.set_source(
        voltage_v=setting.voltage_v,
        current_limit_a=setting.current_limit_a,
        frequency_hz=setting.frequency_hz,
        on=True,
    )
    while circuit.converter.mode is Mode.OFF:
        circuit.advance_to(circuit.time_s + 1e-4)
    begun_s = circuit.time_s
    windows = Windows(map(_check, WINDOWS), averaged_s=AVERAGED_S)
    windows.enter(Level(label="", voltage_v=1.0, current_limit_a=1.0, dwell_s=1.0), begun_s)
    for reading in range(1, round(1.3 / APART_S)):
        circuit.advance_to(begun_s + APART_S * reading)
        read = (
            each(AVERAGED_S)
            for each in (
                circuit.source_voltage_v,
                circuit.source_current_a,
                circuit.source_power_w,
            )
        )
        windows.add(SupplySample(circuit.time_s, *read, None, protection=False))
    found = {check.name: found for check, found in windows.found()}
    return {name: one.value for name, one in found.items() if one is not None}


def _check(name: str) -> Check:
    figure, quantity, from_s, to_s = WINDOWS[name]
    return Check.model_validate(
        {
            "name": name,
            "measure": f"supply.{quantity}",
            "figure": figure,
            "from": f"{from_s} s",
            "to": f"{to_s} s",
            "low": "0 W" if quantity == "power" else "0 A",
        }
    )
