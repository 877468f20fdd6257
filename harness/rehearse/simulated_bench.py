"""The simulated bench: instruments around one circuit, as a VISA library, and a person at it."""

from __future__ import annotations

import math
import re
import threading
from collections.abc import Callable
from functools import partial

from harness.bench.clock import Clock
from harness.errors import Refused
from harness.profile.bench_file import (
    BenchFile,
    Instrument,
    LoadInstrument,
    Meter,
    PowerMeter,
    Supply,
    Switch,
)
from harness.profile.level import LoadMode, across_bulk_ohm, resistor_ohm
from harness.rehearse.circuit import circuit_of, source_for
from harness.rehearse.laws import Laws
from harness.rehearse.readings import cold_resistance_ohm, inaccurate, place_voltage_v
from harness.rehearse.senses import answer
from harness.rehearse.simulated_instruments import (
    Live,
    SimulatedInstrument,
    SimulatedLibrary,
    described,
)
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel
from harness.unit.nameplate import Unit

#: Bits of the questionable register. Makers differ in them: no built-in dialect reads them.
_PROTECTION, _LIMITING = 1, 2

#: A supply's protection can be set so far over its range: common practice.
_PROTECTION_OVER = 1.1

_AMBIENT_DEGC = 23.0
#: The case warms in steps of this length; next to its time constant that is nothing.
_WARM_EVERY_S = 0.1

#: A meter answers a resistance across a live circuit with overload (SCPI-1999 vol. 1, 7.2.1).
_OVERLOAD = 9.9e37
#: What has no value is answered with not-a-number (as above); so is a power factor of next to none.
_NOT_A_NUMBER, _NO_POWER_VA = 9.91e37, 1e-3
#: The largest resistance the simulated meter shows.
_MOST_OHM = 100e6

#: What a load holds constant, and the function's name in SCPI short form.
_FUNCTIONS: dict[LoadMode, str] = {"current": "CURR", "resistance": "RES", "power": "POW"}
_MODES = {name: mode for mode, name in _FUNCTIONS.items()}

#: Time a hand takes to move leads.
_MOVING_S = 20.0

#: What a healthy unit shows on a tester, by the unit asked for, else zero (common practice).
_HEALTHY = {"ohm": 0.12, "A": 60e-6, "degC": _AMBIENT_DEGC, "Hz": 50.0, "s": 1.0, "1": 1.0}
#: And where the question is about insulation or isolation.
_INSULATION_OHM = 300e6

#: The channel of the switch unit that holds the contact in the feed.
_CHANNEL = "(@1)"

_ON_OFF = {"ON": True, "1": True, "OFF": False, "0": False}


class SimulatedBench:
    """A unit, healthy or not, on a bench of simulated instruments that keep to their accuracy.

    The clock is simulated, or real where the bench is served to other programs. The seed decides
    errors, noise and the moments of intermittent faults.
    """

    def __init__(self, model: UnitModel, bench: BenchFile, clock: Clock, *, seed: int = 1) -> None:
        kind = bench.supply.kind
        if model.input_kind != kind:
            raise Refused(
                [f"the unit has {model.input_kind.upper()} input, the supply gives {kind.upper()}"]
            )
        source = source_for(kind, bench.supply.range.current_a)
        self.circuit = circuit_of(model, source, seed=seed)
        self.meter_at = "output"  # where its leads stand
        self.devices: dict[str, SimulatedInstrument] = {}  # by resource name
        self._lock = threading.Lock()
        self.clock = clock
        self.seed = seed
        self._origin_s = clock.now_s()
        self._case_degc = _AMBIENT_DEGC
        self._warmed_s = 0.0
        self._output_on = False  # the supply's; the unit gets it through the contact
        self._contact_told = bench.switch is None  # closed; without a switch it always is
        #: Whether the contact stays closed whatever it is told, and whether what the switch answers
        #: comes of the contact, or only repeats what it was told.
        self.welded = False
        self.has_mirror_contact = True
        self._protection_v = math.inf
        self._protected = False
        self._window_s = 0.0
        self._add_supply(bench.supply)
        if bench.meter is not None:
            self._add_meter(bench.meter)
        if bench.load is not None:
            self._add_load(bench.load)
        if bench.power_meter is not None:
            self._add_power_meter(bench.power_meter)
        if bench.switch is not None:
            self._add_switch(bench.switch)

    def library(self) -> SimulatedLibrary:
        """Return the bench as a VISA library for PyVISA's resource manager."""
        return SimulatedLibrary.of(self.devices)

    # --- time

    def _advance(self) -> None:
        """Take the circuit to the present."""
        circuit = self.circuit
        before_s = circuit.time_s
        circuit.advance_to(self.clock.now_s() - self._origin_s)
        if circuit.time_s > before_s:
            self._protect()
        passed_s = circuit.time_s - self._warmed_s
        if passed_s < _WARM_EVERY_S:
            return
        # first-order heating of the case by the unit's loss (textbook)
        self._warmed_s += passed_s
        case = circuit.model.case
        loss_w = circuit.source_power_w(self._window_s) - self._output_power_w()
        final_degc = _AMBIENT_DEGC + case.rise_k_per_w * max(0.0, loss_w)
        self._case_degc += (final_degc - self._case_degc) * -math.expm1(-passed_s / case.heating_s)

    def _output_power_w(self) -> float:
        return self.circuit.output_voltage_v() * self.circuit.converter.output_a

    def _protect(self) -> None:
        """The supply's own over-voltage protection."""
        if self._output_on and self.circuit.setting.voltage_v > self._protection_v:
            self._switch_output(on=False)
            self._protected = True

    # --- the feed: the supply's output, and the contact behind it

    @property
    def contact_closed(self) -> bool:
        """Whether the contact in the feed is closed, whatever its switch says."""
        return self._contact_told or self.welded

    def _switch_output(self, *, on: bool) -> None:
        self._output_on = on
        self.circuit.set_source(on=on and self.contact_closed)

    def _switch_contact(self, text: str, *, closed: bool) -> None:
        if text != _CHANNEL:
            raise ValueError(text)
        self._contact_told = closed
        self._switch_output(on=self._output_on)

    # --- instruments

    def _add(self, file: str, table: Instrument, live: dict[str, Live]) -> None:
        self.devices[table.resource] = SimulatedInstrument(
            file, live, wait=self.clock.sleep_s, advance=self._advance, lock=self._lock
        )

    def _reader(self, role: str, table: Instrument, quantity: str) -> Callable[[float], float]:
        """Return what makes the instrument's reading of a true value."""
        return inaccurate(table.accuracy.get(quantity), stream(self.seed, role, quantity))

    def _reading(
        self, role: str, table: Instrument, quantity: str, true: Callable[[], float]
    ) -> Live:
        read = self._reader(role, table, quantity)
        return Live(lambda: read(true()))

    def _add_supply(self, table: Supply) -> None:
        file = "dc-supply.yaml"
        if table.kind == "ac":
            file = "ac-source.yaml"
            # its readings are rms values over its acquisition
            self._window_s = float(described(file)["timing"]["acquisition"])
        circuit, window_s, most = self.circuit, self._window_s, table.range
        reading = partial(self._reading, "supply", table)

        def setting(name: str, most: float | None = None) -> Live:
            def tell(text: str) -> None:
                circuit.set_source(**{name: float(text)})
                self._protect()

            return Live(lambda: getattr(circuit.setting, name), tell, most)

        def set_protection(text: str) -> None:
            self._protection_v = float(text)
            self._protect()

        def set_output(text: str) -> None:
            self._protected = False
            self._switch_output(on=_ON_OFF[text])
            self._protect()

        def at_terminals(behind: Callable[[float], float], alone: float) -> float:
            """Return what the unit's side makes of a reading, or what it is with nothing there."""
            return behind(window_s) if self.contact_closed else alone

        def voltage() -> float:
            alone_v = circuit.setting.voltage_v if self._output_on else 0.0
            return at_terminals(circuit.source_voltage_v, alone_v)

        def questionable() -> int:
            limiting = circuit.source_on and circuit.source_limiting()
            return (_PROTECTION if self._protected else 0) | (_LIMITING if limiting else 0)

        protection_v = None if most.voltage_v is None else _PROTECTION_OVER * most.voltage_v
        live = {
            "voltage": setting("voltage_v", most.voltage_v),
            "current_limit": setting("current_limit_a", most.current_a),
            "voltage_protection": Live(
                lambda: min(self._protection_v, 1e6), set_protection, protection_v
            ),
            "frequency": setting("frequency_hz"),
            "output": Live(lambda: int(self._output_on), set_output),
            "questionable": Live(questionable),
            "measured_voltage": reading("voltage", voltage),
            "measured_current": reading(
                "current", lambda: at_terminals(circuit.source_current_a, 0.0)
            ),
            "measured_power": reading("power", lambda: at_terminals(circuit.source_power_w, 0.0)),
            "measured_frequency": Live(lambda: circuit.setting.frequency_hz),
        }
        if table.kind == "ac":
            live["measured_current_peak"] = reading("current_peak", circuit.source_peak_current_a)
        self._add(file, table, live)

    def _add_meter(self, table: Meter) -> None:
        circuit = self.circuit
        reading = partial(self._reading, "meter", table)
        voltage_ac = self._reader("meter", table, "voltage_ac")
        resistance = self._reader("meter", table, "resistance")

        def ripple() -> float:
            ripple_v = circuit.output_ripple_v() if self.meter_at == "output" else 0.0
            return abs(voltage_ac(ripple_v))  # a true rms reading cannot fall below zero

        def ohms() -> float:
            ohm = cold_resistance_ohm(circuit, self.meter_at)
            # the leads of a two-wire measurement only ever add, and a reading is never below zero
            shown = abs(resistance(ohm)) if ohm <= _MOST_OHM else _OVERLOAD
            return shown if shown <= _MOST_OHM else _OVERLOAD

        live = {
            "voltage_dc": reading("voltage_dc", lambda: place_voltage_v(circuit, self.meter_at)),
            "voltage_ac": Live(ripple),
            "current_dc": reading("current_dc", lambda: circuit.converter.output_a),
            "resistance": Live(ohms),
            "temperature": reading("temperature", lambda: self._case_degc),
        }
        self._add("multimeter.yaml", table, live)

    def _add_load(self, table: LoadInstrument) -> None:
        circuit, load, most = self.circuit, self.circuit.load, table.range
        reading = partial(self._reading, "load", table)

        def level(mode: LoadMode, most: float | None = None) -> Live:
            def set_level(text: str) -> None:
                load.levels[mode] = float(text)
                if mode == load.mode:
                    circuit.set_load()

            return Live(lambda: load.levels[mode], set_level, most)

        live = {
            "function": Live(
                lambda: _FUNCTIONS[load.mode], lambda text: circuit.set_load(mode=_MODES[text])
            ),
            "current": level("current", most.current_a),
            "resistance": level("resistance"),
            "power": level("power", most.power_w),
            "input": Live(lambda: int(load.on), lambda text: circuit.set_load(on=_ON_OFF[text])),
            "measured_voltage": reading("voltage", circuit.output_voltage_v),
            "measured_current": reading("current", lambda: circuit.converter.output_a),
            "measured_power": reading("power", self._output_power_w),
        }
        self._add("electronic-load.yaml", table, live)

    def _add_power_meter(self, table: PowerMeter) -> None:
        circuit, file = self.circuit, "power-meter.yaml"
        window_s = float(described(file)["timing"]["acquisition"])
        reading = partial(self._reading, "power_meter", table)

        factor = self._reader("power_meter", table, "power_factor")
        hertz = self._reader("power_meter", table, "frequency")

        def power_factor() -> float:
            apparent_va = circuit.source_voltage_v(window_s) * circuit.source_current_a(window_s)
            if apparent_va <= _NO_POWER_VA:
                return _NOT_A_NUMBER
            return factor(circuit.source_power_w(window_s) / apparent_va)

        def frequency() -> float:
            on = circuit.source_on and circuit.model.input_kind == "ac"
            return hertz(circuit.setting.frequency_hz) if on else _NOT_A_NUMBER

        live = {
            "measured_voltage": reading("voltage", lambda: circuit.source_voltage_v(window_s)),
            "measured_current": reading("current", lambda: circuit.source_current_a(window_s)),
            "measured_power": reading("power", lambda: circuit.source_power_w(window_s)),
            "measured_power_factor": Live(power_factor),
            "measured_frequency": Live(frequency),
        }
        self._add(file, table, live)

    def _add_switch(self, table: Switch) -> None:
        def state() -> int:
            return int(self.contact_closed if self.has_mirror_contact else self._contact_told)

        live = {
            "contact": Live(state, partial(self._switch_contact, closed=True)),
            "opening": Live(lambda: 1 - state(), partial(self._switch_contact, closed=False)),
        }
        self._add("switch-unit.yaml", table, live)


class SimulatedOperator:
    """Fulfils the engine's port for a person on a simulated bench."""

    def __init__(
        self,
        bench: SimulatedBench,
        unit: Unit,
        laws: Laws = Laws(),  # noqa: B008 - it is frozen
    ) -> None:
        self._bench = bench
        self._unit = unit
        self._laws = laws

    def power_on(self, step: str) -> None:
        """See nothing: simulated power endangers nobody."""

    def power_off(self, *, confirmed: bool) -> None:
        """See nothing."""

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Move the meter's leads."""
        self._bench.clock.sleep_s(_MOVING_S)
        self._bench.meter_at = where
        return True

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Connect a resistor, across the bulk capacitor or the output.

        Any other load is taken as one that draws the nominal current.
        """
        self._bench.clock.sleep_s(_MOVING_S)
        across_ohm = across_bulk_ohm(load)
        if across_ohm is not None or not load:
            self._bench.circuit.connect_across_bulk(across_ohm or math.inf)
        if across_ohm is not None:
            return True
        output = next(iter(self._unit.output.values()))
        ohm = resistor_ohm(load) or output.nominal_v / output.current_a if load else math.inf
        self._bench.circuit.connect_resistor(ohm)
        return True

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Read a tester."""
        if unit == "ohm" and re.search("insulation|isolation", prompt, re.IGNORECASE):
            return _INSULATION_OHM, "simulated"
        return _HEALTHY.get(unit, 0.0), "simulated"

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
        """Look and feel; which of it is overlooked, the seed decides."""
        rng = stream(self._bench.seed, "operator", prompt)
        return answer(self._bench.circuit.model, prompt, self._laws, rng)

    def confirm(self, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Agree."""
        return True
