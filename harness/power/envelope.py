"""The hard bounds the keeper holds (safety rule 4): what they are, and what lies beyond them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.power.trip import Finding, TripReason
from harness.quantity import format_quantity

#: What is held against a bound each, in the order in which it is looked at.
_BOUNDED = (
    (TripReason.OVER_VOLTAGE, "V"),
    (TripReason.OVER_CURRENT, "A"),
    (TripReason.OVER_POWER, "W"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingEnvelope:
    """The hard bounds the keeper holds."""

    voltage_v: float
    current_a: float
    power_w: float
    #: What the supply's reading of the envelope voltage may be off by; those of no current and of
    #: no power.
    voltage_error_v: float = 0.0
    current_error_a: float = 0.0
    power_error_w: float = 0.0
    #: Line frequencies that may be set; empty for DC.
    frequencies_hz: tuple[float, ...] = ()
    #: What may be set at the load: where there is none, nothing.
    load_current_a: float = 0.0
    load_power_w: float = 0.0
    load_least_ohm: float = math.inf
    #: Hard bounds of the auxiliary supply; where it drives nothing, nothing may be set.
    aux_voltage_v: float = 0.0
    aux_current_a: float = 0.0
    #: Least and most that may be set to be held: at no voltage a load is a short.
    load_least_v: float = math.inf
    load_most_v: float = 0.0


def beyond(
    read: tuple[float, ...],
    bounds: tuple[float, ...],
    *,
    by: str = "",
    whose: str = "the envelope",
) -> Finding | None:
    """Hold voltage, current and power against their bounds; what is outside, or None (pure).

    Of them so many are read as there are bounds; ``by`` says of what, where not of the supply.
    """
    for value, bound, (reason, unit) in zip(read, bounds, _BOUNDED, strict=False):
        # written so that a value that is no number is outside
        if not abs(value) <= bound:
            found, most = format_quantity(value, unit), format_quantity(bound, unit)
            return reason, f"{found} read{by}, {most} is {whose}"
    return None
