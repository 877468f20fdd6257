"""The enable input of a simulated unit, and what may pull it on the bench, or wake a charger."""

from __future__ import annotations

import math
from collections.abc import Callable

from harness.profile.instruments import Range
from harness.rehearse.circuit import Circuit
from harness.rehearse.simulated_instruments import Live

#: Resistance of the input against the return, which the auxiliary supply's current goes through
#: (common practice: a divider of tens of kilohms before a comparator).
_INPUT_OHM = 10e3
#: What the diode in its lead drops where it wakes a charger: a silicon one at milliamperes (common
#: practice).
_DIODE_V = 0.6
#: The protection of an auxiliary supply that nobody has set yet.
_NO_PROTECTION_V = 1e6
_ON_OFF = {"ON": True, "1": True, "OFF": False, "0": False}


class EnablePin:
    """The pin, pulled by an auxiliary supply, a relay, a hand, or nothing."""

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._aux = {"voltage": 0.0, "current_limit": 0.0, "voltage_protection": _NO_PROTECTION_V}
        self._pulled = {"aux": False, "relay": False, "hand": False}
        # at a charger without an enable input it stands across the output, behind a diode
        has_input = circuit.model.converter.enable_v is not None
        self._wakes = circuit.model.charger is not None and not has_input

    @property
    def voltage_v(self) -> float:
        """Voltage at the auxiliary supply's terminals."""
        if not self._pulled["aux"]:
            return 0.0
        if self._wakes and self.current_a >= self._aux["current_limit"]:
            return self._circuit.converter.output_v + _DIODE_V
        most_v = math.inf if self._wakes else self._aux["current_limit"] * _INPUT_OHM
        return min(self._aux["voltage"], most_v)

    @property
    def current_a(self) -> float:
        """Current of the auxiliary supply. Source: Ohm's law."""
        if self._wakes:
            return self._circuit.small_supply_a
        return self.voltage_v / _INPUT_OHM

    def by_hand(self, *, pulled: bool) -> None:
        """Pull it by hand, or let go."""
        self._pull("hand", pulled)

    def as_aux(
        self, most: Range, reading: Callable[[str, Callable[[], float]], Live]
    ) -> dict[str, Live]:
        """Return what an auxiliary supply at the pin is told and asked, by property."""

        def setting(name: str, most: float | None = None) -> Live:
            def tell(text: str) -> None:
                self._aux[name] = float(text)
                self._pull("aux", self._pulled["aux"])

            return Live(lambda: self._aux[name], tell, most)

        return {
            "voltage": setting("voltage", most.voltage_v),
            "current_limit": setting("current_limit", most.current_a),
            "voltage_protection": setting("voltage_protection"),
            "output": Live(
                lambda: int(self._pulled["aux"]), lambda text: self._pull("aux", _ON_OFF[text])
            ),
            "questionable": Live(lambda: 0),
            "measured_voltage": reading("voltage", lambda: self.voltage_v),
            "measured_current": reading("current", lambda: self.current_a),
        }

    def as_relay(self, channel: str) -> dict[str, Live]:
        """Return what a relay at the pin is told and asked, by property."""

        def tell(text: str, *, closed: bool) -> None:
            if text != channel:
                raise ValueError(text)
            self._pull("relay", closed)

        return {
            "contact": Live(
                lambda: int(self._pulled["relay"]), lambda text: tell(text, closed=True)
            ),
            "opening": Live(
                lambda: 1 - int(self._pulled["relay"]), lambda text: tell(text, closed=False)
            ),
        }

    def _pull(self, by: str, pulled: bool) -> None:  # noqa: FBT001 - what a switch is told
        """Pull it or let go, and have the unit see it."""
        if by == "aux" and self._aux["voltage"] > self._aux["voltage_protection"]:
            pulled = False
        self._pulled[by] = pulled
        if self._wakes:
            if by == "aux":
                behind_v = max(self._aux["voltage"] - _DIODE_V, 0.0) if pulled else 0.0
                self._circuit.connect_small_supply(behind_v, self._aux["current_limit"])
            return
        enable_v = self._circuit.model.converter.enable_v
        driven = enable_v is not None and 0.0 < enable_v <= self.voltage_v
        self._circuit.set_enable(on=driven or self._pulled["relay"] or self._pulled["hand"])
