"""A converter that feeds a board: what that draws goes with the time since it began to run."""

from __future__ import annotations

from harness.rehearse.circuit.converter import ConverterState, Mode
from harness.rehearse.unit_parts import Bulk, Converter
from harness.rehearse.work import Work

#: Shortest step towards a change of what is drawn; a rounding error must not stop the clock.
_SHORTEST_S = 1e-6


class WorkingState(ConverterState):
    """One converter with its board while a run goes on; a stop resets the board."""

    def __init__(self, model: Converter, work: Work, bulk: Bulk) -> None:
        super().__init__(model, bulk)
        self.work = work
        self._since_s = 0.0  # it began to run

    @property
    def is_still(self) -> bool:
        """True if nothing changes until bulk voltage or load does."""
        return super().is_still and (self.mode is Mode.OFF or self._even_s == float("inf"))

    @property
    def _even_s(self) -> float:
        return max(self.work.even_s(self._since_s), _SHORTEST_S)

    def input_power_w(self, ahead_s: float = 0.0) -> float:
        """Return the power taken from the bulk capacitor ``ahead_s`` from now, in watts."""
        own_w = super().input_power_w(ahead_s)
        return (
            own_w if self.mode is Mode.OFF else own_w + self.work.power_w(self._since_s + ahead_s)
        )

    def longest_step_s(self) -> float:
        """Return how far ahead the input power may be taken at its middle, in seconds."""
        if self.mode is Mode.OFF:
            return super().longest_step_s()
        return min(super().longest_step_s(), self._even_s)

    def advance(self, duration_s: float) -> None:
        """Move output and board on by ``duration_s``."""
        super().advance(duration_s)
        self._since_s = 0.0 if self.mode is Mode.OFF else self._since_s + duration_s
