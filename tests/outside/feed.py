"""What stands in the feed of the unit: a power meter at its input, and a switch with one contact.

Commands as SCPI-1999 volume 2 has them: MEASure, and ROUTe:CLOSe, ROUTe:OPEN with a channel list
(volume 1, 8.3.2).
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from tests.outside.circuits import AcCircuit, DcCircuit
from tests.outside.instruments import Channel, Instrument, Note, nr3
from tests.outside.scpi import ScpiError

if TYPE_CHECKING:
    from tests.outside.misbehaviour import Misbehaviours


class PowerMeterInstrument(Instrument):
    """It measures what the unit takes in: behind the contact, where there is one."""

    def __init__(self, circuit: DcCircuit | AcCircuit, odd: Misbehaviours, seed: int) -> None:
        super().__init__("power_meter", "PM-30", odd)
        chance = random.Random(seed)
        self._circuit = circuit
        self._channels = {
            "voltage": Channel(chance, gain_frac=2e-4, offset=2e-3, noise=1e-3, step=1e-3),
            "current": Channel(chance, gain_frac=2e-4, offset=2e-4, noise=1e-4, step=1e-4),
            "power": Channel(chance, gain_frac=5e-4, offset=5e-3, noise=5e-3, step=1e-3),
        }
        add = self.device.add
        for verb in ("MEASure", "FETCh"):
            for word in ("VOLTage", "CURRent", "POWer"):
                for kind in ("AC", "DC"):
                    name = word.lower()
                    add(f"{verb}[:SCALar]:{word}[:{kind}]?", lambda name=name: self._reading(name))
            add(f"{verb}[:SCALar]:POWer:PFACtor?", self._power_factor)
            add(f"{verb}[:SCALar]:FREQuency?", self._frequency)

    def _true(self) -> tuple[float, float, float]:
        circuit = self._circuit
        if isinstance(circuit, AcCircuit):
            return circuit.means()
        return circuit.terminal_v, circuit.current_a, circuit.power_w

    def _reading(self, name: str) -> str:
        true = dict(zip(("voltage", "current", "power"), self._true(), strict=True))
        return self._answer(name, self._channels[name].read(true[name]), "")

    def _power_factor(self) -> str:
        volts, amps, watts = self._true()
        return nr3(min(1.0, watts / (volts * amps)) if volts * amps > 0.0 else 0.0)

    def _frequency(self) -> str:
        return nr3(getattr(self._circuit, "frequency_hz", 0.0) if self._circuit.on else 0.0)


class OneChannel:
    """A channel list with the one channel there is: ``(@1)``."""

    def read(self, text: str) -> Callable[[], int]:
        """Parse it."""
        match = re.fullmatch(r"\(@(\d+)\)", text)
        if match is None:
            raise ScpiError(-104)
        channel = int(match[1])

        def inside() -> int:
            if channel != 1:
                raise ScpiError(-222)
            return channel

        return inside


class Fed(Protocol):
    """What feeds the unit through the contact: a supply, or a source set by hand."""

    output: bool
    fed: Callable[[], bool]

    def feed(self) -> None:
        """Feed the unit, or not, where the contact has changed."""


class SwitchInstrument(Instrument):
    """One contact between supply and unit.

    It notes ``contact`` at each change, with whether the supply's output was on: it should not be.
    """

    def __init__(self, supply: Fed, odd: Misbehaviours, note: Note) -> None:
        super().__init__("switch", "RB-4", odd)
        self._supply, self._note = supply, note
        self._closed = False
        supply.fed = lambda: self._closed
        add = self.device.add
        self.device.reset = lambda: self._move(closed=False)
        add("ROUTe:CLOSe", lambda _: self._move(closed=True), OneChannel())
        add("ROUTe:OPEN", lambda _: self._move(closed=False), OneChannel())
        add("ROUTe:CLOSe?", lambda _: str(int(self._closed)), OneChannel())
        add("ROUTe:OPEN?", lambda _: str(int(not self._closed)), OneChannel())

    def _move(self, *, closed: bool) -> None:
        if closed is not self._closed:
            self._note("contact", closed=closed, live=self._supply.output)
        if not closed and "contact-welded" in self.odd.on:
            return
        self._closed = closed
        self._supply.feed()
