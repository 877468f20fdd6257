"""What hangs on the output: an electronic load in one of its modes, and a resistor by hand."""

from __future__ import annotations

import math
from typing import Literal

__all__ = ["LOOP_S", "Mode", "OutputLoad"]

Mode = Literal["current", "resistance", "power"]

#: How often an electronic load compares voltage and current: in constant resistance and power it
#: follows the voltage through a loop of its own, not at once (common practice).
LOOP_S = 0.5e-3

#: The most it takes, whatever it is told.
_MOST_A = 10.0

#: Change of current, as a share, that is worth telling the converter.
_NEWS = 1e-4


class OutputLoad:
    """Load of one output.

    Attributes:
        on: Whether the electronic load's input is on.
        hand_ohm: Resistor that was connected by hand; infinite where none is.
    """

    def __init__(self) -> None:
        self.on = False
        self.hand_ohm = math.inf
        self._mode: Mode = "current"
        self._value = 0.0

    @property
    def follows_voltage(self) -> bool:
        """Whether its current depends on the output voltage."""
        return math.isfinite(self.hand_ohm) or (self.on and self._mode != "current")

    def set(self, mode: Mode, value: float) -> None:
        """Set what the electronic load holds: current in A, resistance in ohm, power in W."""
        self._mode, self._value = mode, value

    def current_a(self, voltage_v: float) -> float:
        """Return what both take at an output voltage.

        Source: Ohm's law; P = V I, textbook.
        """
        by_hand_a = voltage_v / self.hand_ohm
        if not self.on:
            return by_hand_a
        if self._mode == "current":
            return by_hand_a + self._value
        if self._mode == "resistance":
            return by_hand_a + min(voltage_v / max(self._value, 1e-3), _MOST_A)
        return by_hand_a + min(self._value / max(voltage_v, 1e-3), _MOST_A)

    @staticmethod
    def is_news(before_a: float, after_a: float) -> bool:
        """Whether a change of current is worth telling the converter."""
        return abs(after_a - before_a) > _NEWS * max(abs(before_a), abs(after_a)) + 1e-9
