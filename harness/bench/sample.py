"""One sample of the supply: what the keeper judges before anybody else sees it."""

from __future__ import annotations

from typing import NamedTuple


class Account(NamedTuple):
    """What a level that is entered has taken of its allowance, as the keeper reckons it."""

    unit: str  # C or J of a budget; s, the time at the current limit, where there is none
    taken: float  # beyond what a healthy unit draws anyway
    explained: float  # of that, by the voltage gained
    allowed: float  # what may stay unexplained before power is cut


class SupplySample(NamedTuple):
    """Voltage and current (rms for AC) and real power at the supply's output, read together.

    A named tuple, not a data class: one is made for every message, and this is the fastest.
    """

    time_s: float  # when the answer had come, on the run's clock
    voltage_v: float
    current_a: float
    power_w: float  # measured where the instrument can, else voltage times current
    limiting: bool | None  # in current limit; None where the instrument does not say
    protection: bool  # its own protection has switched the output off
    account: Account | None = None  # while a level with an allowance is entered
