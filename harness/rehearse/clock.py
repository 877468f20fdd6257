"""The simulated clock: time is free."""

from __future__ import annotations


class SimulatedClock:
    """Time that passes only when somebody lets it pass."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Return simulated seconds since the clock was made."""
        return self._now_s

    def sleep_s(self, duration_s: float) -> None:
        """Advance the clock at once; a negative duration is ignored."""
        self._now_s += max(0.0, duration_s)
