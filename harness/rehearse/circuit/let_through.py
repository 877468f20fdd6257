"""What went through the fault path: the figures a careful start keeps small."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LetThrough"]


@dataclass(slots=True)
class LetThrough:
    """Charge, energy and I2t through short, broken-over switch and leak since the run began.

    Attributes:
        charge_c: Integral of the magnitude of current, in coulombs.
        energy_j: Heat in the path, in joules.
        i2t_a2s: Integral of current squared, in A^2 s.
    """

    charge_c: float = 0.0
    energy_j: float = 0.0
    i2t_a2s: float = 0.0

    def add(self, duration_s: float, current_a: float, square_a2: float, ohm: float) -> None:
        """Count ``duration_s`` at a mean current magnitude and mean square through ``ohm``."""
        self.charge_c += duration_s * current_a
        self.i2t_a2s += duration_s * square_a2
        self.energy_j += duration_s * square_a2 * ohm
