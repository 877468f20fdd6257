"""A half-cycle that has passed, as far as it may be reused."""

from __future__ import annotations

from typing import NamedTuple

from harness.rehearse.circuit.windowed_means import Means

__all__ = ["HalfCycleResult"]


class HalfCycleResult(NamedTuple):
    """What a half-cycle ended with and what it counted.

    Attributes:
        duration_s: How long it was.
        end_v: Bulk voltage at its end.
        amplitude_v: Amplitude of the source, as rms.
        means: Averages over it.
        peak_a: Highest source current.
        clamped: True if the source clamped its current.
        lowest_v: Lowest bulk voltage.
        highest_v: Highest bulk voltage.
        series_a2: Mean square of the current through the rectifier.
        varistor_w: Mean power in the varistor.
        let_through: Charge, energy and I2t through faults.
    """

    duration_s: float
    end_v: float
    amplitude_v: float
    means: Means
    peak_a: float
    clamped: bool
    lowest_v: float
    highest_v: float
    series_a2: float
    varistor_w: float
    let_through: tuple[float, float, float]
