"""The fuse-link: heat it has stored, when it parts, what it lets through."""

from __future__ import annotations

import math

from harness.unit.parts import FuseRatings
from harness.unit.reference import FuseTable, Gates

__all__ = [
    "breaking_capacity_a",
    "gates_for",
    "melting_integral_a2s",
    "melting_time_s",
    "stored_heat_a2s",
]


def melting_integral_a2s(fuse: FuseRatings, table: FuseTable) -> float:
    """Return the melting integral: the data sheet's, or the usual one of its letters.

    Source:
        A multiple of the rating squared, ``shared/fuse-links.toml``; common practice.
    """
    if fuse.melting_i2t_a2s is not None:
        return fuse.melting_i2t_a2s
    return table.melting_times[fuse.characteristic][fuse.breaking] * fuse.current_a**2


def breaking_capacity_a(fuse: FuseRatings, table: FuseTable) -> float:
    """Return the breaking capacity: as stated, or by its letter (IEC 60127-2)."""
    if fuse.breaking_capacity_a is not None:
        return fuse.breaking_capacity_a
    return table.breaking_capacity_a(fuse.breaking, fuse.current_a)


def stored_heat_a2s(
    current_a: float, duration_s: float, rating_a: float, melting_a2s: float, held_times: float
) -> float:
    """Return the heat a constant current leaves in the element, in A^2 s.

    Args:
        current_a: Current (rms for AC).
        duration_s: How long; may be infinite.
        rating_a: Rated current.
        melting_a2s: Melting integral.
        held_times: Multiple of the rating that is carried for ever.

    Returns:
        Heat to compare with the melting integral: i^2 t for a short pulse (adiabatic rule), and
        the melting integral itself, never reached, at the current that is carried for ever.

    Source:
        dH/dt = i^2 - H / tau with tau = melting integral / (held current)^2; first-order heating,
        textbook. The held current lies between the gates at 1.5 and 2.1 times, IEC 60127-2.
    """
    tau_s = melting_a2s / (held_times * rating_a) ** 2
    return current_a**2 * tau_s * -math.expm1(-duration_s / tau_s)


def melting_time_s(
    current_a: float, rating_a: float, melting_a2s: float, held_times: float
) -> float:
    """Return how long a constant current flows until the element parts; infinite if never.

    Arguments and source as for :func:`stored_heat_a2s`.
    """
    tau_s = melting_a2s / (held_times * rating_a) ** 2
    final_a2s = current_a**2 * tau_s
    return math.inf if final_a2s <= melting_a2s else -tau_s * math.log1p(-melting_a2s / final_a2s)


def gates_for(fuse: FuseRatings, table: FuseTable) -> Gates | None:
    """Return the gates of the standard sheet that a link belongs to, or None."""
    for gates in table.gates:
        letters = (gates.characteristic, gates.breaking) == (fuse.characteristic, fuse.breaking)
        if letters and gates.from_a <= fuse.current_a <= gates.to_a:
            return gates
    return None
