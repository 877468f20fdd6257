"""A source that a hand sets: a variable transformer on the mains, a lamp in series, and the hand.

It stands in the place of the programmable supply: always on, and the contact behind it feeds the
unit. The control socket says what to turn to (``{"do": "turn", "to_v": 25}``); the hand turns down
to zero by itself whenever the contact has opened.

``"hand"`` of the configuration::

    {"does": "turns",                 # or "too-far", "too-fast", "nothing", "leaves-it-up"
     "lamp_v": 120, "lamp_w": 100}    # left out: no lamp
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from tests.outside.circuits import AcCircuit
from tests.outside.instruments import Note

#: Volts a second of a steady hand and of a jerk; how near counts as there.
STEADY, JERK, NEAR = 20.0, 600.0, 0.004
#: Where a transformer stands that was left up.
LEFT_UP_V = 70.0
#: A filament's resistance follows its current so fast; cold, it has a tenth of it.
WARMS_S, COLD = 0.15, 0.1


class HandFeed:
    """What feeds the unit through the contact.

    Attributes:
        output: There is no output to switch: always on.
    """

    output = True

    def __init__(self, circuit: AcCircuit, table: dict[str, Any], note: Note) -> None:
        self.circuit, self._note = circuit, note
        self.fed: Callable[[], bool] = lambda: True
        self._does = table.get("does", "turns")
        self._to_v: float | None = None
        self._moved_s = circuit.now_s
        self._hot_ohm = 0.0
        if "lamp_w" in table:
            self._rated_a = table["lamp_w"] / table["lamp_v"]
            self._hot_ohm = table["lamp_v"] / self._rated_a
        circuit.lamp_ohm = COLD * self._hot_ohm
        circuit.limit_a = 1e3
        circuit.set_v = LEFT_UP_V if self._does == "leaves-it-up" else 0.0

    def turn(self, to_v: float) -> None:
        """Begin to turn."""
        self._to_v = to_v

    def feed(self) -> None:
        """Feed the unit, or not, where the contact has changed."""
        on = self.fed()
        if on is self.circuit.on:
            return
        self.circuit.switch(on=on)
        self._note("power", on=on)
        if not on:
            self._to_v = None
            self.circuit.set_v = LEFT_UP_V if self._does == "leaves-it-up" else 0.0

    def watch(self) -> None:
        """It has no protection of its own."""

    def move(self, to_s: float) -> None:
        """Take hand and lamp to a time, with the circuit, in steps."""
        circuit = self.circuit
        while self._moved_s < to_s:
            step_s = min(0.01, to_s - self._moved_s)
            self._moved_s += step_s
            circuit.advance(self._moved_s)
            volts, amps, _ = circuit.means()
            if self._hot_ohm:
                self._warm(amps if circuit.on else 0.0, step_s)
            if self._to_v is not None and self._does != "nothing":
                self._turn(volts, step_s)

    def _warm(self, amps: float, step_s: float) -> None:
        glowing = self._hot_ohm * (amps / self._rated_a) ** 0.8
        to_ohm = max(COLD * self._hot_ohm, min(glowing, self._hot_ohm * 1.2))
        self.circuit.lamp_ohm += (to_ohm - self.circuit.lamp_ohm) * -math.expm1(-step_s / WARMS_S)

    def _turn(self, volts: float, step_s: float) -> None:
        assert self._to_v is not None
        missing_v = self._to_v - volts
        rate = max(-STEADY, min(STEADY, 4.0 * missing_v))
        if self._does == "too-fast":
            rate = math.copysign(JERK, missing_v)
        elif self._does == "too-far":
            rate = STEADY
        elif abs(missing_v) < NEAR * self._to_v:
            return
        self.circuit.set_v = max(0.0, self.circuit.set_v + rate * step_s)
