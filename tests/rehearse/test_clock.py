"""Clocks: simulated time has a day of its own, time that is watched does not."""

from __future__ import annotations

import datetime as dt

import pytest

from harness.bench.clock import Clock, SystemClock
from harness.rehearse.clock import PacedClock, SimulatedClock


class TestTimeOfDay:
    def test_simulated_time_begins_at_the_same_moment(self) -> None:
        """Whenever it is made, a simulated clock tells the same moment after the same time."""
        clock = SimulatedClock()
        clock.sleep_s(61.5)

        assert clock.utc() == dt.datetime(2026, 1, 1, 0, 1, 1, 500_000, tzinfo=dt.UTC)

    @pytest.mark.parametrize("clock", [SystemClock(), PacedClock()])
    def test_what_is_watched_goes_by_the_day(self, clock: Clock) -> None:
        """A run, and a rehearsal that somebody watches, tell the time of day."""
        off_s = (dt.datetime.now(dt.UTC) - clock.utc()).total_seconds()

        assert abs(off_s) < 5.0
