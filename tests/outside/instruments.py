"""The instruments of the outside bench: their commands, their noise, their ADC steps.

Measurements are answered in NR3, settings in NR3, states in NR1 (IEEE 488.2, 8.7). Each instrument
has a gain and an offset error, drawn once inside half of the accuracy it would state, thermal
noise, and the step of its converter.
"""

from __future__ import annotations

import itertools
import math
import os
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from tests.outside.circuits import AcCircuit, DcCircuit
from tests.outside.misbehaviour import Misbehaviours
from tests.outside.scpi import Boolean, Choice, Device, Number, ScpiError

Circuit = DcCircuit | AcCircuit
Note = Callable[..., None]

#: Overload, SCPI-1999 vol. 1, 7.2.1.
OVERLOAD = 9.9e37

_NUMBERS = itertools.count(1)


class Channel:
    """One measured quantity: gain, offset, noise, step of the converter."""

    def __init__(
        self,
        chance: random.Random,
        *,
        gain_frac: float,
        offset: float,
        noise: float,
        step: float,
        full_scale: float = math.inf,
    ) -> None:
        self._chance = chance
        self._gain = 1.0 + chance.uniform(-gain_frac, gain_frac)
        self._offset = chance.uniform(-offset, offset)
        self._noise = noise
        self._step = step
        self._full_scale = full_scale

    def read(self, true: float) -> float:
        """Return what it reads."""
        if not abs(true) <= self._full_scale:
            return OVERLOAD
        value = true * self._gain + self._offset + self._chance.gauss(0.0, self._noise)
        return round(value / self._step) * self._step


def nr3(value: float) -> str:
    """Write a number as an instrument does."""
    return f"{value:+.6E}"


class Instrument:
    """What all of them have: a device that parses, and readings that can be frozen."""

    def __init__(self, who: str, model: str, odd: Misbehaviours) -> None:
        # no two alike: instruments with one serial number are one to whoever locks them
        number = f"HRWO-{os.getpid()}-{next(_NUMBERS)}"
        self.device = Device(who, f"HARROW POINT,{model},{number},1.0")
        self.odd = odd
        self._frozen: dict[str, str] = {}

    def _answer(self, what: str, value: float, freezes: str) -> str:
        """Write a reading; while it is frozen, the last one again."""
        text = self._frozen.get(what, "") if freezes in self.odd.on else ""
        if not text:
            text = self._frozen[what] = nr3(value)
        return text


class SupplyInstrument(Instrument):
    """DC supply, or AC source.

    Attributes:
        output: What it takes its output for; the circuit's ``on`` is what is so.
    """

    def __init__(
        self, circuit: Circuit, table: dict[str, Any], odd: Misbehaviours, note: Note, seed: int
    ) -> None:
        ac = isinstance(circuit, AcCircuit)
        super().__init__("supply", "AS-300" if ac else "PS-200", odd)
        self.circuit, self._note, self._ac = circuit, note, ac
        self.output = False
        self.fed: Callable[[], bool] = lambda: True  # whether a contact leads to the unit
        self._most_v = table.get("most_v", 300.0 if ac else 60.0)
        self._most_a = table.get("most_a", 8.0 if ac else 10.0)
        self._protect_v = self._most_v * 1.1
        self._tripped = False
        chance = random.Random(seed)
        if ac:
            self._volts = Channel(chance, gain_frac=5e-4, offset=0.05, noise=0.02, step=0.01)
            self._amps = Channel(chance, gain_frac=1e-3, offset=1e-3, noise=5e-4, step=1e-4)
            self._watts = Channel(chance, gain_frac=1.5e-3, offset=0.05, noise=0.02, step=0.01)
        else:
            noise_v, noise_a = table.get("noise_v", 1e-3), table.get("noise_a", 3e-4)
            self._volts = Channel(chance, gain_frac=2e-4, offset=3e-3, noise=noise_v, step=1e-3)
            self._amps = Channel(chance, gain_frac=1e-3, offset=5e-4, noise=noise_a, step=1e-4)
            self._watts = Channel(chance, gain_frac=1e-3, offset=5e-3, noise=5e-3, step=1e-3)
        self._commands()

    def _commands(self) -> None:
        device, circuit = self.device, self.circuit
        device.reset = self._reset
        device.questionable = self._questionable
        volts = Number("V", 0.0, self._most_v)
        amps = Number("A", 0.0, self._most_a)
        bound = Choice(("MINimum", "MAXimum", "DEFault"))
        for path, call, takes, now in (
            ("VOLTage[:LEVel][:IMMediate][:AMPLitude]", self._set_v, volts, lambda: circuit.set_v),
            ("CURRent[:LEVel][:IMMediate][:AMPLitude]", self._set_a, amps, self._limit_a),
            (
                "VOLTage:PROTection[:LEVel]",
                self._set_protection,
                Number("V", 0.0, self._most_v * 1.1),
                lambda: self._protect_v,
            ),
        ):
            device.add(f"[SOURce]:{path}", call, takes)
            high = takes.high

            def asked(which: str = "", now: Any = now, high: Any = high) -> str:
                return nr3({"MIN": 0.0, "DEF": 0.0, "MAX": high}[which] if which else now())

            device.add(f"[SOURce]:{path}?", asked, bound, least=0)
        device.add("OUTPut[:STATe]", self._switch, Boolean())
        device.add("OUTPut[:STATe]?", self._state)
        device.add("OUTPut:PROTection:CLEar", self._clear_protection)
        device.add("[SOURce]:VOLTage:PROTection:TRIPped?", lambda: str(int(self._tripped)))
        device.add("[SOURce]:VOLTage:PROTection:CLEar", self._clear_protection)
        kind = "AC" if self._ac else "DC"
        for verb in ("MEASure", "FETCh"):
            device.add(f"{verb}[:SCALar]:VOLTage[:{kind}]?", lambda: self._reading("voltage"))
            device.add(f"{verb}[:SCALar]:CURRent[:{kind}]?", lambda: self._reading("current"))
            device.add(f"{verb}[:SCALar]:POWer[:{kind}]?", lambda: self._reading("power"))
        if self._ac:
            device.add("[SOURce]:FREQuency[:CW]", self._set_hz, Number("HZ", 45.0, 450.0))
            device.add("[SOURce]:FREQuency[:CW]?", lambda: nr3(circuit.frequency_hz))
            device.add("MEASure[:SCALar]:FREQuency?", lambda: nr3(circuit.frequency_hz))
            peak = "MEASure[:SCALar]:CURRent[:AC]:AMPLitude:MAXimum?"
            device.add(peak, lambda: self._reading("peak"))

    # --- settings

    def _set_v(self, value_v: float) -> None:
        if value_v > self._protect_v:
            raise ScpiError(-221)
        self.circuit.set_v = value_v
        self._note("set", voltage_v=value_v)
        if self.output:
            self.odd.event(self.circuit.now_s, "set", value_v)

    def _set_a(self, value_a: float) -> None:
        self.circuit.limit_a = value_a
        self._note("set", limit_a=value_a)
        if self.output:
            self.odd.event(self.circuit.now_s, "limit", value_a)

    def _limit_a(self) -> float:
        return self.circuit.limit_a

    def _set_protection(self, value_v: float) -> None:
        self._protect_v = value_v
        self._tripped = self._tripped or self._over()

    def _set_hz(self, value_hz: float) -> None:
        self.circuit.frequency_hz = value_hz

    def _switch(self, on: bool) -> None:
        if on and self._tripped:
            raise ScpiError(-221)
        self._note("told", on=on)
        changed, self.output = on is not self.output, on
        if on or "relay-sticks" not in self.odd.on:
            self._connect(on=on)
        if changed:
            self.odd.event(self.circuit.now_s, "power-on" if on else "power-off")
            if on:
                self.odd.event(self.circuit.now_s, "set", self.circuit.set_v)

    def feed(self) -> None:
        """Feed the unit, or not, where a contact before it has changed."""
        self._connect(on=self.output)

    def _connect(self, *, on: bool) -> None:
        circuit = self.circuit
        on = on and self.fed()
        if on is not circuit.on:
            circuit.switch(on=on)
            self._note("power", on=on)

    def _reset(self) -> None:
        self._switch(on=False)
        self.circuit.set_v = self.circuit.limit_a = 0.0
        self._protect_v, self._tripped = self._most_v * 1.1, False

    def _clear_protection(self) -> None:
        self._tripped = False

    def _over(self) -> bool:
        circuit = self.circuit
        volts = circuit.terminal_v if isinstance(circuit, DcCircuit) else circuit.wanted_v()
        return circuit.on and volts > self._protect_v

    def watch(self) -> None:
        """Carry out its own over-voltage protection; called with each message to the bench."""
        if not self._tripped and self._over():
            self._tripped = True
            self.output = False
            self._note("protection")
            self._connect(on=False)

    # --- answers

    def _state(self) -> str:
        on = self.output is not ("output-state-contradicts" in self.odd.on)
        if "quoted-state" in self.odd.on:
            return '"ON"' if on else '"OFF"'
        return str(int(on))

    def _questionable(self) -> int:
        bits = 1 if self._tripped else 0
        odd = self.odd.on
        if "questionable-bit-in-constant-current" in odd and self.circuit.limiting:
            bits |= odd["questionable-bit-in-constant-current"].get("bits", 1)
        if "questionable-bit-always" in odd and self.output:
            bits |= odd["questionable-bit-always"].get("bits", 1)
        return bits

    def _reading(self, what: str) -> str:
        circuit = self.circuit
        peak_a = 0.0
        if isinstance(circuit, AcCircuit):
            true_v, true_a, true_w = circuit.means()
            peak_a = circuit.peak_a
        else:
            true_v, true_a, true_w = circuit.terminal_v, circuit.current_a, circuit.power_w
        true, channel = {
            "voltage": (true_v, self._volts),
            "current": (true_a, self._amps),
            "power": (true_w, self._watts),
            "peak": (peak_a, self._amps),
        }[what]
        value = channel.read(true)
        if what != "voltage" and "current-sign-reversed" in self.odd.on:
            value = -value
        text = self._answer(what, value, "supply-readings-frozen")
        if "supply-answer-with-unit" in self.odd.on:
            return text + {"voltage": "V", "power": "W"}.get(what, "A")
        return text


@dataclass(frozen=True)
class Probe:
    """What the leads of a meter touch: each quantity that is there."""

    volts: Callable[[], float]
    ripple_v: Callable[[], float] = lambda: 0.0
    amps: Callable[[], float] = lambda: 0.0
    ohms: Callable[[], float] = lambda: math.inf
    degrees: Callable[[], float] = lambda: 23.0


class MeterInstrument(Instrument):
    """A multimeter."""

    def __init__(self, probe: Probe, odd: Misbehaviours, seed: int) -> None:
        super().__init__("meter", "DM-60", odd)
        chance = random.Random(seed)
        dc = Channel(chance, gain_frac=1e-4, offset=5e-4, noise=2e-4, step=1e-4, full_scale=1000.0)
        ac = Channel(chance, gain_frac=1e-3, offset=2e-4, noise=1e-4, step=1e-5)
        milli = Channel(chance, gain_frac=2e-4, offset=5e-5, noise=2e-5, step=1e-5)
        span = (Number("V", 0.0, 1000.0), Number("V", 0.0))
        add = self.device.add
        for verb in ("MEASure", "READ", "FETCh"):
            volts = self._reads(dc, probe.volts)
            add(f"{verb}[:SCALar]:VOLTage[:DC]?", volts, *span, least=0)
            add(f"{verb}[:SCALar]:VOLTage:AC?", self._reads(ac, probe.ripple_v), *span, least=0)
            add(f"{verb}[:SCALar]:CURRent[:DC]?", self._reads(milli, probe.amps))
            add(f"{verb}[:SCALar]:RESistance?", self._reads(ac, probe.ohms))
            add(f"{verb}[:SCALar]:TEMPerature?", self._reads(ac, probe.degrees))

    def _reads(self, channel: Channel, true: Callable[[], float]) -> Callable[..., str]:
        def reading(*_: float) -> str:
            value = channel.read(true()) if math.isfinite(true()) else OVERLOAD
            text = self._answer(str(id(true)), value, "meter-readings-frozen")
            return f"{float(text):.2f},VDC" if "answer-with-unit" in self.odd.on else text

        return reading


#: What the load is set to after a reset, by function.
_LOAD_LEVELS = {"CURR": 0.0, "RES": 1e4, "POW": 0.0, "VOLT": 80.0}


class Loaded(Protocol):
    """An output that a load hangs on."""

    load_a: Callable[[float], float]

    @property
    def rail_v(self) -> float:
        """Its voltage now."""


class LoadInstrument(Instrument):
    """An electronic load on the rail: constant current, resistance, power or voltage."""

    def __init__(
        self, circuit: Circuit, rail: Loaded, odd: Misbehaviours, note: Note, seed: int
    ) -> None:
        super().__init__("load", "EL-150", odd)
        chance = random.Random(seed)
        self._circuit, self._rail, self._note = circuit, rail, note
        self._on, self._mode = False, "CURR"
        self._set = dict(_LOAD_LEVELS)
        rail.load_a = self._drawn_a
        self._volts = Channel(chance, gain_frac=2e-4, offset=3e-3, noise=5e-4, step=1e-3)
        self._amps = Channel(chance, gain_frac=5e-4, offset=1e-3, noise=2e-4, step=1e-4)
        add = self.device.add
        self.device.reset = self._reset
        modes = Choice(("CURRent", "RESistance", "POWer", "VOLTage"), quoted=True)
        add("[SOURce]:FUNCtion", self._choose, modes)
        add("[SOURce]:FUNCtion?", lambda: self._mode)
        for word, unit, low, high in (
            ("CURRent", "A", 0.0, 10.0),
            ("RESistance", "OHM", 0.05, 1e4),
            ("POWer", "W", 0.0, 150.0),
            ("VOLTage", "V", 0.5, 80.0),
        ):
            key = "".join(letter for letter in word if letter.isupper())

            def put(value: float, key: str = key) -> None:
                self._set[key] = value

            path = f"[SOURce]:{word}[:LEVel][:IMMediate][:AMPLitude]"
            add(path, put, Number(unit, low, high))
            add(f"{path}?", lambda key=key: nr3(self._set[key]))
        add("INPut[:STATe]", self._switch, Boolean())
        add("INPut[:STATe]?", lambda: str(int(self._on)))
        for verb in ("MEASure", "FETCh"):
            add(f"{verb}[:SCALar]:VOLTage[:DC]?", lambda: self._reading("voltage"))
            add(f"{verb}[:SCALar]:CURRent[:DC]?", lambda: self._reading("current"))
            add(f"{verb}[:SCALar]:POWer[:DC]?", lambda: self._reading("power"))

    def _drawn_a(self, rail_v: float) -> float:
        if not self._on or rail_v <= 0.0:
            return 0.0
        if self._mode == "RES":
            return rail_v / self._set["RES"]
        if self._mode == "VOLT":  # through its least resistance
            return max(0.0, rail_v - self._set["VOLT"]) / 0.05
        power_a = self._set["POW"] / max(rail_v, 0.1)
        wanted_a = self._set["CURR"] if self._mode == "CURR" else power_a
        # it can be no less than a resistance
        return min(wanted_a, rail_v / 0.05)

    def _choose(self, mode: str) -> None:
        self._mode = mode

    def _switch(self, on: bool) -> None:
        if on and not self._on:
            self.odd.event(self._circuit.now_s, "load-on")
        if on is not self._on:
            self._note("load", on=on)
        self._on = on

    def _reset(self) -> None:
        self._switch(on=False)
        self._mode = "CURR"
        self._set = dict(_LOAD_LEVELS)

    def _reading(self, what: str) -> str:
        rail_v = self._rail.rail_v
        volts = self._volts.read(rail_v)
        amps = self._amps.read(self._drawn_a(rail_v))
        value = {"voltage": volts, "current": amps, "power": volts * amps}[what]
        return self._answer(what, value, "load-readings-frozen")
