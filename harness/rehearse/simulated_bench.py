"""The simulated bench: instruments around one circuit, as a VISA library."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from functools import partial
from typing import get_args

from harness.bench.clock import Clock
from harness.errors import Refused
from harness.profile.bench_file import BenchFile
from harness.profile.check import Across
from harness.profile.instruments import (
    Instrument,
    LoadInstrument,
    Meter,
    PowerMeter,
    Supply,
    Switch,
)
from harness.rehearse.circuit import circuit_of, source_for
from harness.rehearse.enable_pin import EnablePin
from harness.rehearse.hand_source import HandSource, transformers
from harness.rehearse.meters import as_meter, as_power_meter
from harness.rehearse.output_side import OutputSide
from harness.rehearse.readings import inaccurate
from harness.rehearse.simulated_instruments import (
    Live,
    SimulatedInstrument,
    SimulatedLibrary,
    described,
)
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel

#: Bits of the questionable register. Makers differ in them: no built-in dialect reads them.
_PROTECTION, _LIMITING = 1, 2

#: A supply's protection can be set so far over its range: common practice.
_PROTECTION_OVER = 1.1

_AMBIENT_DEGC = 23.0
#: The case warms in steps of this length; next to its time constant that is nothing.
_WARM_EVERY_S = 0.1

#: Where a meter can stand but at an output.
_PLACES = frozenset(get_args(Across)) - {"output"}

#: The channel of the switch unit that holds the contact in the feed.
_CHANNEL = "(@1)"

_ON_OFF = {"ON": True, "1": True, "OFF": False, "0": False}


class SimulatedBench:
    """A unit, healthy or not, on a bench of simulated instruments that keep to their accuracy.

    The clock is simulated, or real where the bench is served to other programs. The seed decides
    errors, noise and the moments of intermittent faults.
    """

    def __init__(self, model: UnitModel, bench: BenchFile, clock: Clock, *, seed: int = 1) -> None:
        kind = bench.gives
        if model.fed_kind != kind:
            raise Refused(
                [f"the unit has {model.input_kind.upper()} input, the supply gives {kind.upper()}"]
            )
        set_by_hand, most_a = bench.by_hand, bench.supply.range.current_a
        source = source_for(kind, most_a) if set_by_hand is None else transformers()
        self.circuit = circuit_of(model, source, seed=seed)
        #: The hand at a source that is set by one.
        self.hand: HandSource | None = None
        if set_by_hand is not None:
            self.hand = HandSource(set_by_hand, self.circuit, seed=seed)
            # without a switch nothing but the hand keeps power from the unit
            self.circuit.set_source(on=bench.switch is None)
        self.outputs = OutputSide(self.circuit)
        self.pin = EnablePin(self.circuit)
        self.meter_at = "output"  # where the leads stand of the meter that is moved by hand ...
        self.load_at = ""  # ... and the load: an output by its name; empty: the first
        self.devices: dict[str, SimulatedInstrument] = {}  # by resource name
        #: What a mistake at the bench makes of a true value, by instrument and quantity.
        self.misread: dict[tuple[str, str], Callable[[float], float]] = {}
        self._lock = threading.Lock()
        self.clock = clock
        self.seed = seed
        self._origin_s = clock.now_s()
        self._case_degc = _AMBIENT_DEGC
        self._warmed_s = 0.0
        # the supply's output, on always where a hand sets it: the unit gets it through the contact
        self._output_on = self.hand is not None
        self._contact_told = bench.switch is None  # closed; without a switch it always is
        #: Whether the contact stays closed whatever it is told, and whether what the switch answers
        #: comes of the contact, or only repeats what it was told.
        self.welded = False
        self.has_mirror_contact = True
        self._protection_v = math.inf
        self._protected = False
        self._window_s = 0.0
        if bench.settable is not None:
            self._add_supply(bench.settable)
        for key, meter in bench.all_meters.items():
            self._add_meter(key, meter)
        for key, load in bench.all_loads.items():
            self._add_load(key, load)
        if bench.power_meter is not None:
            self._add_power_meter(bench.power_meter)
        if bench.switch is not None:
            self._add_switch(bench.switch)
        if bench.aux is not None:
            reading = partial(self._reading, "aux", bench.aux)
            self._add("dc-supply.yaml", bench.aux, self.pin.as_aux(bench.aux.range, reading))
        if bench.enable_switch is not None:
            self._add("switch-unit.yaml", bench.enable_switch, self.pin.as_relay(_CHANNEL))

    def library(self) -> SimulatedLibrary:
        """Return the bench as a VISA library for PyVISA's resource manager."""
        return SimulatedLibrary.of(self.devices)

    def bulk_voltage_v(self) -> float:
        """Return what a meter held across the bulk capacitor shows now."""
        self._advance()
        return self.circuit.bulk_v

    # --- time

    def _advance(self) -> None:
        """Take the circuit to the present."""
        circuit = self.circuit
        before_s = circuit.time_s
        (self.hand or circuit).advance_to(self.clock.now_s() - self._origin_s)
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
        read = inaccurate(table.accuracy.get(quantity), stream(self.seed, role, quantity))
        return lambda true: read(self.misread.get((role, quantity), float)(true))

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

    def _add_meter(self, key: str, table: Meter) -> None:
        def where() -> str:
            """Return where its leads stand: a place, or *output* and a name."""
            if table.at is None:
                return self.meter_at
            return table.at if table.at in _PLACES else f"output {table.at}"

        reader = partial(self._reader, key, table)
        live = as_meter(self.circuit, self.outputs, where, lambda: self._case_degc, reader)
        self._add("multimeter.yaml", table, live)

    def _add_load(self, key: str, table: LoadInstrument) -> None:
        most = table.range
        reading = partial(self._reading, key, table)

        def at() -> str:
            return table.at or self.load_at

        live = self.outputs.load(
            at, reading, most_a=most.current_a, most_w=most.power_w, most_v=most.voltage_v
        )
        self._add("electronic-load.yaml", table, live)

    def _add_power_meter(self, table: PowerMeter) -> None:
        file = "power-meter.yaml"
        window_s = float(described(file)["timing"]["acquisition"])
        reader = partial(self._reader, "power_meter", table)
        self._add(file, table, as_power_meter(self.circuit, window_s, reader))

    def _add_switch(self, table: Switch) -> None:
        def state() -> int:
            return int(self.contact_closed if self.has_mirror_contact else self._contact_told)

        live = {
            "contact": Live(state, partial(self._switch_contact, closed=True)),
            "opening": Live(lambda: 1 - state(), partial(self._switch_contact, closed=False)),
        }
        self._add("switch-unit.yaml", table, live)
