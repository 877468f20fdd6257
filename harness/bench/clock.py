"""The clock: a port for whoever keeps time, the real one, and two that tell sleep."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Protocol


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


# Two clocks that run alike while the machine is awake, with zeros of their own. While it sleeps the
# one stands still, and the other goes on.
#
# Source: Linux, clock_gettime(2): CLOCK_BOOTTIME counts time in suspend, CLOCK_MONOTONIC does not.
#     macOS, clock_gettime(3): CLOCK_MONOTONIC goes on while the system is asleep, CLOCK_UPTIME_RAW
#     does not. Windows: GetTickCount64 (sysinfoapi.h) counts sleep and hibernation,
#     QueryUnbiasedInterruptTime (realtimeapiset.h) does not. From memory; run on Linux only.

if sys.platform == "win32":

    def _clocks() -> tuple[Callable[[], float], Callable[[], float]]:
        import ctypes

        kernel = ctypes.WinDLL("kernel32")
        kernel.GetTickCount64.restype = ctypes.c_ulonglong

        def awake() -> float:
            ticks = ctypes.c_ulonglong()  # of 100 ns
            kernel.QueryUnbiasedInterruptTime(ctypes.byref(ticks))
            return ticks.value * 1e-7

        return awake, lambda: float(kernel.GetTickCount64()) * 1e-3

elif sys.platform == "darwin":

    def _clocks() -> tuple[Callable[[], float], Callable[[], float]]:
        return (
            lambda: time.clock_gettime(time.CLOCK_UPTIME_RAW),
            lambda: time.clock_gettime(time.CLOCK_MONOTONIC),
        )

elif sys.platform == "linux":

    def _clocks() -> tuple[Callable[[], float], Callable[[], float]]:
        return time.monotonic, lambda: time.clock_gettime(time.CLOCK_BOOTTIME)

else:  # no clock that counts sleep is known here: gaps are all that is seen

    def _clocks() -> tuple[Callable[[], float], Callable[[], float]]:
        return time.monotonic, time.monotonic


#: Seconds since some moment, in which the machine was awake; and all seconds.
awake_s, elapsed_s = _clocks()
