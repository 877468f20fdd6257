"""A converter with a small one beside it: the standby rail, alive whatever the enable input."""

from __future__ import annotations

from harness.rehearse.circuit.converter import ConverterState
from harness.rehearse.unit_parts import Bulk, Converter


class WithStandby(ConverterState):
    """Main and standby converter on one bulk capacitor, as the solvers see them: one draw.

    What it says of itself is the main one's; ``standby`` is the other by itself.
    """

    def __init__(self, model: Converter, standby: Converter, bulk: Bulk) -> None:
        super().__init__(model, bulk)
        self.standby = ConverterState(standby, bulk)

    @property
    def start_v(self) -> float:
        """Bulk voltage at which either would start now."""
        return min(self._own_start_v, self.standby.start_v)

    @property
    def upper_v(self) -> float:
        """Bulk voltage at which either would start or give in now, on the way up."""
        return min(self._own_upper_v, self.standby.upper_v)

    @property
    def stop_v(self) -> float:
        """Bulk voltage at which the first of them would stop now."""
        return max(self._own_stop_v, self.standby.stop_v)

    @property
    def is_still(self) -> bool:
        """True if nothing changes until bulk voltage or a load does."""
        return super().is_still and self.standby.is_still

    def watch_bulk(self, bulk_v: float) -> bool:
        """Start or stop each at this bulk voltage; return True if that changed anything."""
        changed = super().watch_bulk(bulk_v)
        return self.standby.watch_bulk(bulk_v) or changed

    def follow_line(self, bulk_v: float) -> None:
        """Let both follow the mean bulk voltage."""
        super().follow_line(bulk_v)
        self.standby.follow_line(bulk_v)

    def input_power_w(self, ahead_s: float = 0.0) -> float:
        """Return the power both take from the bulk capacitor ``ahead_s`` from now, in watts."""
        return super().input_power_w(ahead_s) + self.standby.input_power_w(ahead_s)

    def longest_step_s(self) -> float:
        """Return how far ahead the input power may be taken at its middle, in seconds."""
        return min(super().longest_step_s(), self.standby.longest_step_s())

    def advance(self, duration_s: float) -> None:
        """Move both outputs on by ``duration_s``."""
        super().advance(duration_s)
        self.standby.advance(duration_s)
