"""One sample of the supply: what the keeper judges before anybody else sees it."""

from __future__ import annotations

from typing import NamedTuple


class SupplySample(NamedTuple):
    """Voltage, current and power of the supply, read together.

    A named tuple, not a data class: one is made for every message, and this is the fastest.

    Attributes:
        time_s: When the answer had come, on the run's clock.
        voltage_v: Voltage at the output (rms for AC).
        current_a: Current out of it (rms for AC).
        power_w: Real power: measured where the instrument can, else voltage times current.
        limiting: Whether it is in current limit; None where the instrument does not say.
        protection: Whether its own protection has switched the output off.
    """

    time_s: float
    voltage_v: float
    current_a: float
    power_w: float
    limiting: bool | None
    protection: bool
