"""A battery charger behind the rectifier, what hangs at its terminals, and a small second supply.

It gives nothing until a voltage stands at its terminals for a moment; then a constant current up to
its highest voltage, there a taper, and an end (textbook: constant current, constant voltage). A
battery is an EMF in proportion to its charge behind a resistance. Nothing here is stored but that
charge: terminals and current follow at once.

``"charger"`` of the configuration, every key but ``current_a`` and ``highest_v`` may be left out::

    {"current_a": 2.0, "highest_v": 18.0, "wake_v": 4.6, "wake_s": 0.3, "end_a": 0.17,
     "ends": true,                    # false: it goes on with 0.3 A for ever
     "weak_above_v": null,            # above this bulk voltage it gives half the current
     "drain_a": 1.5e-3,               # out of a battery while it gives nothing
     "diode": true,                   # in the lead of the auxiliary supply
     "battery": {"capacity_c": 60.0, "ohm": 0.15, "empty_v": 14.4, "full_v": 18.0, "charged": 0.8}}

The control socket connects that battery and takes it off: ``{"do": "battery", "there": true}``.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from tests.outside.converter import Converter, ConverterParts
from tests.outside.instruments import Channel, Instrument, Note, nr3
from tests.outside.scpi import Boolean, Number

if TYPE_CHECKING:
    from tests.outside.misbehaviour import Misbehaviours

#: Current that a charger whose taper never ends goes on with.
NEVER_ENDS_A = 0.3
#: What the diode in the lead of the auxiliary supply drops.
DIODE_V = 0.6
#: Of its waking voltage: below this a battery is gone.
GONE = 0.5


@dataclass
class Battery:
    """What a person connects."""

    capacity_c: float = 60.0
    ohm: float = 0.15
    empty_v: float = 14.4
    full_v: float = 18.0
    charged: float = 0.8

    @property
    def emf_v(self) -> float:
        """EMF now."""
        return self.empty_v + (self.full_v - self.empty_v) * self.charged


class Charger(Converter):
    """The converter with its charging stage; ``rail_v`` is the voltage at its terminals.

    Attributes:
        given_a: Current into what hangs there; negative out of a battery.
        connected: The battery that hangs there, or None.
        aux_v: Auxiliary supply's voltage, 0 while it is off; ``aux_limit_a``: its limit.
    """

    def __init__(self, parts: ConverterParts, seed: int, table: dict[str, Any]) -> None:
        super().__init__(parts, seed)
        self._current_a: float = table["current_a"]
        self._whole_a = self._current_a
        self._weak_above_v: float | None = table.get("weak_above_v")
        self._highest_v: float = table["highest_v"]
        self._wake_v: float = table.get("wake_v", 4.6)
        self._wake_s: float = table.get("wake_s", 0.3)
        self._end_a: float = table.get("end_a", 0.17)
        self._least_a = 0.0 if table.get("ends", True) else NEVER_ENDS_A
        self._drain_a: float = table.get("drain_a", 1.5e-3)
        self._diode: bool = table.get("diode", True)
        self.battery = Battery(**table.get("battery", {}))
        self.connected: Battery | None = None
        self.aux_v = self.aux_limit_a = 0.0
        self.given_a = 0.0
        self._awake = self._ended = False
        self._found_s = 0.0

    def connect(self, *, there: bool) -> None:
        """Connect the battery, or take it off."""
        self.connected = self.battery if there else None
        self._settle()  # before the charging stage looks

    @property
    def aux_reads(self) -> tuple[float, float]:
        """Voltage and current at the auxiliary supply."""
        if not self.aux_v:
            return 0.0, 0.0
        if not self._diode and self.rail_v > self.aux_v:  # driven from outside, into its terminals
            return self.rail_v, -self.aux_limit_a
        return self.aux_v, 0.0

    def power_w(self, now_s: float) -> float:  # noqa: ARG002 - it follows at once
        """Power taken from the bulk capacitor."""
        if not self.running:
            return 0.0
        given_w = self.rail_v * max(self.given_a, 0.0)
        return self.parts.idle_w + self.extra_w + given_w * (1.0 + self.parts.loss_frac)

    def longest_step_s(self, now_s: float) -> float:  # noqa: ARG002 - as far ahead always
        """Return how far ahead its power counts as even."""
        return 0.02

    def ripple_v(self) -> float:
        """Ripple at its terminals."""
        return self.parts.ripple_v if self._awake and self.running else 0.0

    def move(self, now_s: float, step_s: float, bulk_v: float) -> None:  # noqa: ARG002 - as above
        """Go on by a step."""
        if self.running:
            self.running = bulk_v >= self.parts.stop_v
        else:
            self.running = bulk_v >= self.parts.start_v
        if not self.running:
            self._sleep()
        weak = self._weak_above_v is not None and bulk_v > self._weak_above_v
        self._current_a = 0.5 * self._whole_a if weak else self._whole_a
        self._look(step_s)
        self._settle()
        if self.connected is not None:
            self.connected.charged += self.given_a * step_s / self.connected.capacity_c

    def _sleep(self) -> None:
        self._awake = self._ended = False
        self._found_s = 0.0

    def _look(self, step_s: float) -> None:
        """Look for a battery, for its end, and whether it is gone."""
        if not self.running:
            return
        if not self._awake:
            self._found_s = self._found_s + step_s if self.rail_v >= self._wake_v else 0.0
            self._awake = self._found_s >= self._wake_s
            return
        if self.rail_v < GONE * self._wake_v:
            self._sleep()
            return
        held = self.load_a(self._highest_v) > 0.0 or self.connected is not None
        self._ended = self._ended or (held and self.given_a <= self._end_a)

    def _settle(self) -> None:
        battery = self.connected
        if self.running and self._awake and not self._ended:
            self.given_a, self.rail_v = self._charged()
            return
        if battery is not None:
            self.given_a = -self._drain_a
            self.rail_v = battery.emf_v - battery.ohm * self._drain_a
            return
        self.given_a = 0.0
        self.rail_v = max(0.0, self.aux_v - (DIODE_V if self._diode else 0.0))

    def _charged(self) -> tuple[float, float]:
        """Return current and voltage: of a battery by Ohm's law, of a load by halving."""
        battery = self.connected
        if battery is not None:
            wanted_a = (self._highest_v - battery.emf_v) / battery.ohm
            given_a = min(self._current_a, max(wanted_a, self._least_a))
            return given_a, battery.emf_v + battery.ohm * given_a
        low_v, high_v = 0.0, self._highest_v
        if self.load_a(high_v) <= self._current_a:
            return self.load_a(high_v), high_v
        for _ in range(40):
            middle_v = 0.5 * (low_v + high_v)
            if self.load_a(middle_v) > self._current_a:
                high_v = middle_v
            else:
                low_v = middle_v
        return self._current_a, low_v


class FedByAux(Protocol):
    """What the auxiliary supply hangs on."""

    aux_v: float
    aux_limit_a: float

    @property
    def aux_reads(self) -> tuple[float, float]:
        """Voltage and current at it."""


class AuxInstrument(Instrument):
    """A small DC supply whose leads go to the unit: terminals of a charger, an enable input.

    It notes ``aux`` at each change of its output.
    """

    def __init__(self, fed: FedByAux, odd: Misbehaviours, note: Note, seed: int) -> None:
        super().__init__("aux", "PS-30", odd)
        self._fed, self._note = fed, note
        self._set = {"VOLTage": 0.0, "CURRent": 0.0, "VOLTage:PROTection": 33.0}
        self._on = False
        chance = random.Random(seed)
        self._channels = (
            Channel(chance, gain_frac=2e-4, offset=2e-3, noise=3e-4, step=1e-4),
            Channel(chance, gain_frac=1e-3, offset=1e-5, noise=5e-6, step=1e-6),
        )
        add = self.device.add
        for path, unit, most in (
            ("VOLTage", "V", 30.0),
            ("CURRent", "A", 1.0),
            ("VOLTage:PROTection", "V", 33.0),
        ):
            add(f"[SOURce]:{path}[:LEVel]", self._setter(path), Number(unit, 0.0, most))
            add(f"[SOURce]:{path}[:LEVel]?", lambda path=path: nr3(self._set[path]))
        add("OUTPut[:STATe]", self._switch, Boolean())
        add("OUTPut[:STATe]?", lambda: str(int(self._on)))
        for index, word in enumerate(("VOLTage", "CURRent")):
            add(f"MEASure[:SCALar]:{word}[:DC]?", lambda index=index: self._reading(index))
        self.device.reset = lambda: self._switch(on=False)

    def _setter(self, path: str) -> Any:
        def put(value: float) -> None:
            self._set[path] = value
            self._feed()

        return put

    def _switch(self, on: bool) -> None:
        if on is not self._on:
            self._note("aux", on=on)
        self._on = on
        self._feed()

    def _feed(self) -> None:
        self._fed.aux_v = self._set["VOLTage"] if self._on else 0.0
        self._fed.aux_limit_a = self._set["CURRent"]

    def _reading(self, index: int) -> str:
        return nr3(self._channels[index].read(self._fed.aux_reads[index]))
