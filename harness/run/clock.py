"""The real clock."""

from __future__ import annotations

import time

__all__ = ["SystemClock"]


class SystemClock:
    """Monotonic time of the machine, from the moment the clock was made."""

    def __init__(self) -> None:
        self._origin_s = time.monotonic()

    def now_s(self) -> float:
        """Return seconds since the clock was made."""
        return time.monotonic() - self._origin_s

    def sleep_s(self, duration_s: float) -> None:
        """Wait; a duration of zero or less returns at once."""
        if duration_s > 0:
            time.sleep(duration_s)
