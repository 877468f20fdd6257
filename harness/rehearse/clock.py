"""The simulated clock: time is free."""

from __future__ import annotations

import datetime as dt
import time

#: When simulated time begins: always at the same moment, so that the same rehearsal says the same.
_BEGIN = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
#: A paced clock is let so far ahead before it waits.
_AHEAD_S = 0.01


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

    def utc(self) -> dt.datetime:
        """Return the simulated time of day, in UTC, on the day on which simulated time begins."""
        return _BEGIN + dt.timedelta(seconds=self._now_s)


class PacedClock(SimulatedClock):
    """Simulated time that does not run ahead of the time of whoever watches."""

    def __init__(self) -> None:
        super().__init__()
        self._begun_s = time.monotonic()

    def sleep_s(self, duration_s: float) -> None:
        """Advance the clock, and wait until so much time has passed."""
        super().sleep_s(duration_s)
        ahead_s = self.now_s() - (time.monotonic() - self._begun_s)
        if ahead_s > _AHEAD_S:
            time.sleep(ahead_s)

    def utc(self) -> dt.datetime:
        """Return the time of day of whoever watches, in UTC."""
        return dt.datetime.now(dt.UTC)
