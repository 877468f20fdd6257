"""The clock: a port for whoever keeps time, the real one, and two that tell sleep."""

from __future__ import annotations

import datetime as dt
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Protocol


class Clock(Protocol):
    """Monotonic time in seconds, since an origin of the clock's own."""

    def now_s(self) -> float:
        """Return the time."""

    def sleep_s(self, duration_s: float) -> None:
        """Let so much time pass."""

    def utc(self) -> dt.datetime:
        """Return the time of day, in UTC; simulated time has a day of its own."""


class SystemClock:
    """Monotonic time of the machine; all its processes share it.

    Its origin, by :func:`time.monotonic`, can be given to another process for the same time.
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

    def utc(self) -> dt.datetime:
        """Return the machine's time of day, in UTC."""
        return dt.datetime.now(dt.UTC)


# Seconds since some moment, in which the machine was awake; and all seconds. The two run alike,
# with zeros of their own; while it sleeps, the one stands still and the other goes on. Where no
# clock is known that counts sleep, gaps are all that is seen.
#
# Source: Linux, clock_gettime(2): CLOCK_BOOTTIME counts time in suspend, CLOCK_MONOTONIC does not.
#     macOS, clock_gettime(3): CLOCK_MONOTONIC goes on while the system is asleep, CLOCK_UPTIME_RAW
#     does not. Windows: GetTickCount64 (sysinfoapi.h) counts sleep and hibernation,
#     QueryUnbiasedInterruptTime (realtimeapiset.h) does not. From memory; run on Linux only.
awake_s: Callable[[], float] = time.monotonic
elapsed_s: Callable[[], float] = time.monotonic

if sys.platform == "linux":
    elapsed_s = partial(time.clock_gettime, time.CLOCK_BOOTTIME)
elif sys.platform == "darwin":
    awake_s = partial(time.clock_gettime, time.CLOCK_UPTIME_RAW)
    elapsed_s = partial(time.clock_gettime, time.CLOCK_MONOTONIC)
elif sys.platform == "win32":
    import ctypes

    _KERNEL = ctypes.WinDLL("kernel32")
    _KERNEL.GetTickCount64.restype = ctypes.c_ulonglong

    def _awake_on_windows_s() -> float:
        ticks = ctypes.c_ulonglong()  # of 100 ns
        _KERNEL.QueryUnbiasedInterruptTime(ctypes.byref(ticks))
        return ticks.value * 1e-7

    def _elapsed_on_windows_s() -> float:
        return float(_KERNEL.GetTickCount64()) * 1e-3

    awake_s, elapsed_s = _awake_on_windows_s, _elapsed_on_windows_s
