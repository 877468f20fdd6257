"""The simulated bench: instruments around one circuit, as a VISA library."""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Protocol

from harness.errors import Refused
from harness.profile.bench_file import BenchFile, Instrument, Range
from harness.rehearse.circuit import Circuit, source_for
from harness.rehearse.circuit.output_load import Mode
from harness.rehearse.inaccuracy import Inaccuracy
from harness.rehearse.meter_place import cold_resistance_ohm, place_voltage_v
from harness.rehearse.simulated_instruments import (
    CoupledDevice,
    CoupledLibrary,
    Live,
    device_timing,
)
from harness.rehearse.status import StatusModel
from harness.rehearse.unit_model import UnitModel
from harness.shipped import shipped

__all__ = ["SimulatedBench"]

#: Bits of the questionable register. Makers differ in them: no built-in dialect reads them.
_PROTECTION, _LIMITING = 1, 2

#: A supply's protection can be set so far over its range: common practice.
_PROTECTION_OVER = 1.1

_AMBIENT_DEGC = 23.0
#: Case of a small enclosed unit: rise of its temperature with loss, and how fast (common practice).
_RISE_K_PER_W, _HEATING_S = 4.0, 600.0
#: The case warms in steps of this length; next to its time constant that is nothing.
_WARM_EVERY_S = 0.1

#: A meter answers a resistance across a live circuit with overload (SCPI-1999 vol. 1, 7.2.1).
_OVERLOAD = 9.9e37
#: The largest resistance the simulated meter shows.
_MOST_OHM = 100e6

#: Functions of the load in SCPI short form, and what it holds constant in each.
_FUNCTIONS: dict[str, Mode] = {"CURR": "current", "RES": "resistance", "POW": "power"}

_SHORT_FORM = {mode: name for name, mode in _FUNCTIONS.items()}

_ON_OFF = {"ON": True, "1": True, "OFF": False, "0": False}


class _Clock(Protocol):
    def now_s(self) -> float: ...

    def sleep_s(self, duration_s: float) -> None: ...


class SimulatedBench:
    """A unit on a bench of simulated instruments.

    Args:
        model: The unit, healthy or not.
        bench: The bench file: resources, and the accuracy the instruments keep to.
        clock: Simulated, or real where the bench is served to other programs.
        seed: Decides errors, noise and the moments of intermittent faults.

    Attributes:
        circuit: The circuit; tests look inside.
        devices: The instruments by resource name.
        meter_at: Where the meter's leads stand.
    """

    def __init__(self, model: UnitModel, bench: BenchFile, clock: _Clock, *, seed: int = 1) -> None:
        kind = bench.supply.kind
        if model.input_kind != kind:
            raise Refused(
                [f"the unit has {model.input_kind.upper()} input, the supply gives {kind.upper()}"]
            )
        source = source_for(kind, bench.supply.range.current_a)
        self.circuit = Circuit(model, source, seed=seed)
        self._lock = threading.Lock()
        self.meter_at = "output"
        self.devices: dict[str, CoupledDevice] = {}
        self._clock = clock
        self._rng = random.Random(seed)
        self._origin_s = clock.now_s()
        self._case_degc = _AMBIENT_DEGC
        self._warmed_s = 0.0
        self._voltage_v = 0.0
        self._protection_v = math.inf
        self._protected = False
        self._frequency_hz = 50.0
        self._window_s = 0.0

        if kind == "ac":
            self._window_s = device_timing(_file("ac-source.yaml")).acquisition_s
        self._add(
            "ac-source.yaml" if kind == "ac" else "dc-supply.yaml",
            bench.supply,
            partial(self._supply, bench.supply.range),
        )
        if bench.meter is not None:
            self._add("multimeter.yaml", bench.meter, self._meter)
        if bench.load is not None:
            load = partial(self._load, bench.load.range)
            self._add("electronic-load.yaml", bench.load, load)

    def library(self) -> CoupledLibrary:
        """Return the bench as a VISA library for PyVISA's resource manager."""
        return CoupledLibrary.of(self.devices)

    # --- time

    def _advance(self) -> None:
        """Take the circuit to the present."""
        before_s = self.circuit.time_s
        self.circuit.advance_to(self._clock.now_s() - self._origin_s)
        if self.circuit.time_s > before_s:
            self._protect()
        passed_s = self.circuit.time_s - self._warmed_s
        if passed_s >= _WARM_EVERY_S:
            self._warmed_s += passed_s
            self._warm(passed_s)

    def _warm(self, passed_s: float) -> None:
        """First-order heating of the case by the unit's loss (textbook)."""
        circuit = self.circuit
        loss_w = circuit.source_power_w(self._window_s) - (
            circuit.output_voltage_v() * circuit.output_current_a()
        )
        final_degc = _AMBIENT_DEGC + _RISE_K_PER_W * max(0.0, loss_w)
        self._case_degc += (final_degc - self._case_degc) * -math.expm1(-passed_s / _HEATING_S)

    def _protect(self) -> None:
        """The supply's own over-voltage protection."""
        if self.circuit.source_on and self._voltage_v > self._protection_v:
            self.circuit.set_source(on=False)
            self._protected = True

    # --- instruments

    def _add(
        self,
        file: str,
        instrument: Instrument,
        build: Callable[[Callable[[str], Inaccuracy]], dict[str, Live]],
    ) -> None:
        path = _file(file)
        status = StatusModel()

        def reading(quantity: str) -> Inaccuracy:
            return Inaccuracy(instrument.accuracy.get(quantity), self._rng)

        live = {**_status_registers(status), **build(reading)}
        self.devices[instrument.resource] = CoupledDevice(
            path,
            live=live,
            actions={"*CLS": status.clear, "*RST": lambda: _reset(live)},
            status=status,
            wait=self._clock.sleep_s,
            advance=self._advance,
            lock=self._lock,
        )

    def _supply(self, most: Range, reading: Callable[[str], Inaccuracy]) -> dict[str, Live]:
        circuit = self.circuit
        voltage, current, power = reading("voltage"), reading("current"), reading("power")
        settings = {"limit": circuit.source.highest_current_a}

        def set_voltage(text: str) -> None:
            self._voltage_v = float(text)
            circuit.set_source(voltage_v=self._voltage_v)
            self._protect()

        def set_limit(text: str) -> None:
            settings["limit"] = float(text)
            circuit.set_source(current_limit_a=settings["limit"])

        def set_protection(text: str) -> None:
            self._protection_v = float(text)
            self._protect()

        def set_frequency(text: str) -> None:
            self._frequency_hz = float(text)
            circuit.set_source(frequency_hz=self._frequency_hz)

        def set_output(text: str) -> None:
            self._protected = False
            circuit.set_source(on=_on(text))
            self._protect()

        def questionable() -> int:
            limiting = circuit.source_on and circuit.source_limiting()
            return (_PROTECTION if self._protected else 0) | (_LIMITING if limiting else 0)

        window_s = self._window_s
        protection_v = None if most.voltage_v is None else _PROTECTION_OVER * most.voltage_v
        return {
            "voltage": Live(lambda: self._voltage_v, set_voltage, most.voltage_v),
            "current_limit": Live(lambda: settings["limit"], set_limit, most.current_a),
            "voltage_protection": Live(
                lambda: min(self._protection_v, 1e6), set_protection, protection_v
            ),
            "frequency": Live(lambda: self._frequency_hz, set_frequency),
            "output": Live(lambda: int(circuit.source_on), set_output),
            "questionable": Live(questionable),
            "measured_voltage": Live(lambda: voltage.read(circuit.source_voltage_v(window_s))),
            "measured_current": Live(lambda: current.read(circuit.source_current_a(window_s))),
            "measured_power": Live(lambda: power.read(circuit.source_power_w(window_s))),
            "measured_frequency": Live(lambda: self._frequency_hz),
        }

    def _meter(self, reading: Callable[[str], Inaccuracy]) -> dict[str, Live]:
        circuit = self.circuit
        voltage_dc, voltage_ac = reading("voltage_dc"), reading("voltage_ac")
        current_dc, resistance = reading("current_dc"), reading("resistance")
        temperature = reading("temperature")

        def ohms() -> float:
            ohm = cold_resistance_ohm(circuit, self.meter_at)
            # the leads of a two-wire measurement only ever add, and a reading is never below nought
            shown = abs(resistance.read(ohm)) if ohm <= _MOST_OHM else _OVERLOAD
            return shown if shown <= _MOST_OHM else _OVERLOAD

        def ripple_v() -> float:
            return circuit.output_ripple_v() if self.meter_at == "output" else 0.0

        return {
            "voltage_dc": Live(lambda: voltage_dc.read(place_voltage_v(circuit, self.meter_at))),
            # a true rms reading cannot fall below nought
            "voltage_ac": Live(lambda: abs(voltage_ac.read(ripple_v()))),
            "current_dc": Live(lambda: current_dc.read(circuit.output_current_a())),
            "resistance": Live(ohms),
            "temperature": Live(lambda: temperature.read(self._case_degc)),
        }

    def _load(self, most: Range, reading: Callable[[str], Inaccuracy]) -> dict[str, Live]:
        circuit = self.circuit
        voltage, current, power = reading("voltage"), reading("current"), reading("power")
        settings = {"current": 0.0, "resistance": 1e3, "power": 0.0}
        function: list[Mode] = ["current"]

        def set_function(text: str) -> None:
            if text not in _FUNCTIONS:
                raise ValueError(text)
            function[0] = _FUNCTIONS[text]
            circuit.set_load(mode=function[0], value=settings[function[0]])

        def setter(mode: Mode) -> Callable[[str], None]:
            def set_value(text: str) -> None:
                settings[mode] = float(text)
                if mode == function[0]:
                    circuit.set_load(mode=mode, value=settings[mode])

            return set_value

        return {
            "function": Live(lambda: _SHORT_FORM[function[0]], set_function),
            "current": Live(lambda: settings["current"], setter("current"), most.current_a),
            "resistance": Live(lambda: settings["resistance"], setter("resistance")),
            "power": Live(lambda: settings["power"], setter("power"), most.power_w),
            "input": Live(
                lambda: int(circuit.load_on), lambda text: circuit.set_load(on=_on(text))
            ),
            "measured_voltage": Live(lambda: voltage.read(circuit.output_voltage_v())),
            "measured_current": Live(lambda: current.read(circuit.output_current_a())),
            "measured_power": Live(
                lambda: power.read(circuit.output_voltage_v() * circuit.output_current_a())
            ),
        }


@cache
def _file(name: str) -> Path:
    path = shipped("sim_configs", name)
    assert path is not None, f"{name} is missing from the installation"
    return path


def _status_registers(status: StatusModel) -> dict[str, Live]:
    return {
        "event_status": Live(status.read_event),
        "event_enable": Live(status.event_enable, status.set_event_enable),
        "service_enable": Live(status.service_enable, status.set_service_enable),
        "status_byte": Live(status.status_byte),
        "error_queue": Live(status.next_error),
    }


def _reset(live: dict[str, Live]) -> None:
    """``*RST``: off, and nothing set; registers and queue stay (IEEE 488.2, 10.32)."""
    for name, text in (("output", "OFF"), ("input", "OFF"), ("voltage", "0"), ("current", "0")):
        quantity = live.get(name)
        if quantity is not None and quantity.set is not None:
            quantity.set(text)


def _on(text: str) -> bool:
    if text not in _ON_OFF:
        raise ValueError(text)
    return _ON_OFF[text]
