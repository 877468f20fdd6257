"""The hard bounds the keeper holds."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["OperatingEnvelope"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingEnvelope:
    """The hard bounds the keeper holds.

    Attributes:
        voltage_v: Envelope voltage.
        current_a: Envelope current.
        power_w: Envelope power.
        voltage_error_v: What the supply's reading of the envelope voltage may be off by.
        current_error_a: What its reading of no current may be off by.
        power_error_w: What its reading of no power may be off by.
        frequencies_hz: Line frequencies that may be set; empty for DC.
        load_current_a: Largest load current that may be set; zero where there is no load.
        load_power_w: Largest load power that may be set; zero where none may.
        load_least_ohm: Smallest load resistance that may be set; infinite where none may.
        readback_frac: Share a setting read back may differ by.
        silence_s: Longest silence of the client while power is on.
        off_attempts: How often switching off is tried before it counts as unconfirmed.
        watchdog_s: Silence after which a supply with an output watchdog switches off by itself.
        asked_s: Longest time after which what was told is asked for again.
    """

    voltage_v: float
    current_a: float
    power_w: float
    voltage_error_v: float = 0.0
    current_error_a: float = 0.0
    power_error_w: float = 0.0
    frequencies_hz: tuple[float, ...] = ()
    load_current_a: float = 0.0
    load_power_w: float = 0.0
    load_least_ohm: float = math.inf
    readback_frac: float = 0.002
    silence_s: float = 0.5
    off_attempts: int = 5
    watchdog_s: float = 5.0
    asked_s: float = 0.5
