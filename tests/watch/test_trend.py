from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.watch.trend import MOST, Trend


def fed(trend: Trend, time_s: float, volts: float, amperes: float) -> None:
    """Have a trend take a sample in."""
    trend.reading(time_s, "supply", "voltage", volts, "V")
    trend.reading(time_s, "supply", "current", amperes, "A")


class TestTrend:
    def test_it_stays_small_for_hours(self) -> None:
        """However long a run is, its plot keeps to its number of points."""
        trend = Trend()
        for number in range(40_000):
            fed(trend, 0.1 * number, 24.0, 0.1)

        assert len(trend.points) <= MOST
        assert trend.points[0][0] == 0.0
        assert trend.generation > 0

    @settings(max_examples=20)  # each reads 8000 samples
    @given(spikes=st.lists(st.integers(0, 7999), min_size=1, max_size=4))
    def test_no_spike_is_lost(self, spikes: list[int]) -> None:
        """The highest and lowest of all readings survive, however often points are joined."""
        trend = Trend()
        for number in range(8000):
            fed(trend, 0.1 * number, 30.0 if number in spikes else 24.0, 0.1)

        assert max(point[2] for point in trend.points if point[2] is not None) == 30.0
        assert min(point[1] for point in trend.points if point[1] is not None) == 24.0

    def test_power_off_parts_the_line(self) -> None:
        """What was not measured between power off and on is not drawn."""
        trend = Trend()
        fed(trend, 1.0, 24.0, 0.1)
        trend.event(1.1, "power off", "start", "confirmed")
        fed(trend, 5.0, 12.0, 0.1)

        assert [point[1] for point in trend.points] == [24.0, None, 12.0]

    def test_it_follows_steps_levels_and_trip(self) -> None:
        """Steps, levels and the trip are marked where they were."""
        trend = Trend()
        trend.event(1.0, "step", "start", "start")
        trend.event(1.5, "level", "start", "25 %: 6 V, limit 300 mA, hold 1 s")
        trend.event(2.0, "trip", "start", "over_current: 2 A")

        assert [(mark["at"], mark["kind"]) for mark in trend.marks] == [
            (1.0, "step"),
            (1.5, "level"),
            (2.0, "trip"),
        ]
        assert trend.marks[1]["name"] == "25 %"

    def test_what_is_no_number_is_not_drawn(self) -> None:
        """Not-a-number and infinity leave the plot as it is."""
        trend = Trend()
        for value in (math.nan, math.inf):
            fed(trend, 0.0, value, value)

        assert trend.points == []
