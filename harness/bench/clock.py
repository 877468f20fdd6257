"""The clock: a port for whoever keeps time, and the real one."""

from __future__ import annotations

import time
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


class Clock(Protocol):
    """Monotonic time in seconds."""

    def now_s(self) -> float:
        """Return the time in seconds since an origin of the clock's own."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Let ``duration_s`` seconds pass."""
        ...


class SystemClock:
    """Monotonic time of the machine; all its processes share it.

    Args:
        origin_s: Zero of the clock as :func:`time.monotonic` tells it; left out: now.

    Attributes:
        origin_s: Zero of the clock, for another process that is to keep the same time.
    """

    def __init__(self, origin_s: float | None = None) -> None:
        self.origin_s = time.monotonic() if origin_s is None else origin_s

    def now_s(self) -> float:
        """Return seconds since the origin."""
        return time.monotonic() - self.origin_s

    def sleep_s(self, duration_s: float) -> None:
        """Wait; a duration of zero or less returns at once."""
        if duration_s > 0:
            time.sleep(duration_s)
