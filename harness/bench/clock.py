"""The clock as a port: a run keeps real time, a rehearsal simulated time."""

from __future__ import annotations

from typing import Protocol

__all__ = ["Clock"]


class Clock(Protocol):
    """Monotonic time in seconds."""

    def now_s(self) -> float:
        """Return the time in seconds since an origin of the clock's own."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Let ``duration_s`` seconds pass."""
        ...
