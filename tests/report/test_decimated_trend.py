from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from harness.report.decimated_trend import DecimatedTrend, Trace


class TestTrace:
    @given(values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=300))
    def test_no_spike_is_lost(self, values: list[float]) -> None:
        """Lowest and highest of all readings survive, however few buckets there are."""
        trace = Trace()
        trace.MOST = 8  # type: ignore[misc]

        for time, value in enumerate(values):
            trace.add(float(time), value)

        assert (min(trace.lows), max(trace.highs)) == (min(values), max(values))

    @given(count=st.integers(1, 40_000))
    def test_it_stays_small(self, count: int) -> None:
        """However many readings come, the buckets stay within their number, first one included."""
        trace = Trace()
        trace.MOST = 64  # type: ignore[misc]

        for time in range(count):
            trace.add(float(time), 0.0)

        assert min(count, 32) <= len(trace.times_s) == len(trace.lows) == len(trace.highs) <= 64
        assert trace.times_s[0] == 0.0

    def test_what_is_no_number_is_not_drawn(self) -> None:
        """Not-a-number and infinity leave the trace as it is."""
        trace = Trace()

        for value in (1.0, math.nan, math.inf, -math.inf):
            trace.add(0.0, value)

        assert (trace.lows, trace.highs) == ([1.0], [1.0])

    def test_a_pause_ends_a_line(self) -> None:
        """Readings far apart are not joined: nobody knows what was between them."""
        trace = Trace()
        for time_s in (0.0, 1.0, 2.0, 60.0, 61.0):
            trace.add(time_s, 24.0)

        assert trace.begins == [3]

    @given(
        pieces=st.lists(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=9), min_size=1),
        most=st.sampled_from([4, 8, 64]),
    )
    def test_pieces_stay_apart(self, pieces: list[list[float]], most: int) -> None:
        """However far thinned, a trace has no more lines than it was measured in, in order."""
        trace = Trace()
        trace.MOST = most  # type: ignore[misc]

        time = 0
        for piece in pieces:
            trace.lift()
            for value in piece:
                trace.add(float(time), value)
                time += 1

        assert trace.begins == sorted(set(trace.begins))
        assert len(trace.begins) <= len(pieces) - 1
        assert all(0 < begin <= len(trace.times_s) for begin in trace.begins)
        if sum(map(len, pieces)) <= most:
            starts = [sum(map(len, pieces[:number])) for number in range(1, len(pieces))]
            assert trace.begins == starts


class TestOutline:
    def test_steps_follow_one_another(self) -> None:
        """A step lasts from its first reading to its last."""
        outline = DecimatedTrend()
        for time_s, step in ((0.0, "start"), (1.0, "start"), (2.0, "nominal"), (5.0, "nominal")):
            outline.sample(time_s, step, (("voltage", 1.0, "V"),), "supply")

        bands = [(band.step, band.begin_s, band.end_s) for band in outline.bands]

        assert bands == [("start", 0.0, 1.0), ("nominal", 2.0, 5.0)]

    def test_a_quantity_without_readings_has_no_trace(self) -> None:
        """Only what was read is drawn."""
        outline = DecimatedTrend()
        outline.sample(0.0, "start", (("current", 1.0, "A"), ("power", 1.0, "W")), "supply")

        assert list(outline.traces) == [("supply", "current")]

    def test_a_long_run_keeps_its_first_and_last_events(self) -> None:
        """Of a thousand events the report shows sixty, and says how many it leaves out."""
        outline = DecimatedTrend()
        for number in range(1000):
            outline.event(float(number), "settled", "soak", "")

        first, left_out, last = outline.events

        assert (len(first), left_out, len(last)) == (30, 940, 30)
        assert (first[0].time_s, last[-1].time_s) == (0.0, 999.0)

    def test_the_first_trip_is_the_one(self) -> None:
        """The cut of power that is marked in the plot is the first."""
        outline = DecimatedTrend()
        for time_s, kind in ((1.0, "step"), (2.0, "trip"), (3.0, "trip")):
            outline.event(time_s, kind, "start", "")

        assert outline.trip is not None
        assert outline.trip.time_s == 2.0


class TestPause:
    def test_power_off_and_moved_leads_end_every_line(self) -> None:
        """Between power off and on, and before and after leads are moved, nothing is drawn."""
        outline = DecimatedTrend()
        for time_s, kind in ((1.0, "power off"), (3.0, "meter"), (5.0, "power on")):
            outline.sample(time_s - 0.5, "discharge", (("voltage", 24.0, "V"),), "supply")
            outline.event(time_s, kind, "discharge", "")
            outline.sample(time_s + 0.5, "discharge", (("voltage", 0.0, "V"),), "supply")

        assert outline.traces["supply", "voltage"].begins == [1, 3, 5]

    def test_a_level_reached_ends_no_line(self) -> None:
        """What happens while readings go on leaves the line whole."""
        outline = DecimatedTrend()
        outline.sample(1.0, "start", (("voltage", 2.4, "V"),), "supply")
        outline.event(1.1, "settled", "start", "10 %")
        outline.sample(1.2, "start", (("voltage", 2.4, "V"),), "supply")

        assert outline.traces["supply", "voltage"].begins == []
