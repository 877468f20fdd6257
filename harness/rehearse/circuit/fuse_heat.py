"""The heat of a fuse element over time, in closed form at constant current."""

from __future__ import annotations

import math

from harness.rehearse.unit_model import Fuse

__all__ = ["FuseHeat", "melting_time_s"]


def melting_time_s(fuse: Fuse, current_a: float, *, heat_a2s: float = 0.0) -> float:
    """Return how long ``fuse`` carries a constant current before it parts, in seconds.

    Args:
        fuse: The link.
        current_a: Current (rms for AC).
        heat_a2s: Heat it already holds.

    Returns:
        Time from now; infinite if it never parts.

    Source:
        Solution of dH/dt = i^2 - H/tau. For a short pulse it is the adiabatic rule
        t = I2t / i^2: textbook.
    """
    final_a2s = current_a * current_a * fuse.heat_time_s
    if final_a2s <= fuse.melting_i2t_a2s:
        return math.inf
    ratio = (fuse.melting_i2t_a2s - heat_a2s) / (final_a2s - heat_a2s)
    return -fuse.heat_time_s * math.log1p(-ratio) if ratio > 0 else 0.0


class FuseHeat:
    """One fuse element while a run goes on.

    Attributes:
        fuse: The link.
        heat_a2s: Heat stored, in A^2 s.
        is_open: True once it has parted; it stays so.
    """

    __slots__ = ("fuse", "heat_a2s", "is_open")

    def __init__(self, fuse: Fuse) -> None:
        self.fuse = fuse
        self.heat_a2s = 0.0
        self.is_open = fuse.is_open

    def advance(self, duration_s: float, mean_square_a2: float) -> bool:
        """Heat or cool for ``duration_s``; return True if it parts now."""
        time_s = self.fuse.heat_time_s
        final_a2s = mean_square_a2 * time_s
        self.heat_a2s = final_a2s + (self.heat_a2s - final_a2s) * math.exp(-duration_s / time_s)
        if self.is_open or self.heat_a2s < self.fuse.melting_i2t_a2s:
            return False
        self.is_open = True
        return True

    def time_left_s(self, current_a: float) -> float:
        """Return how long it carries ``current_a`` from now on; infinite if it never parts."""
        if self.is_open:
            return math.inf
        return melting_time_s(self.fuse, current_a, heat_a2s=self.heat_a2s)
