from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.record.events import EventKind
from harness.report.axes import ticks
from harness.report.decimated_trend import DecimatedTrend
from harness.report.plot import draw


def drawn(
    *points: tuple[float, float],
    limit: float | None = None,
    trip_s: float | None = None,
    step: str = "start",
) -> str:
    """Readings of the supply's voltage in one step, the envelope's bound and a trip as a plot."""
    trend = DecimatedTrend()
    for time_s, value in points:
        trend.sample(time_s, step, (("voltage", value, "V"),), "supply")
    if trip_s is not None:
        trend.event(trip_s, EventKind.TRIP, step, "overcurrent")
    return draw(trend, {"voltage_v": limit})


def line_points(svg: str) -> list[tuple[float, float]]:
    (path,) = re.findall(r'<path class="trace-supply-voltage" d="M([^"]*)"', svg)
    return [
        (float(x), float(y))
        for x, y in (point.split() for point in re.split("[ML]", path.replace("h.1", "")))
    ]


class TestDraw:
    def test_a_spike_survives_among_thousands_of_readings(self) -> None:
        """One reading far above ten thousand others is drawn at its height."""
        quiet = [(0.001 * number, 1.0) for number in range(10_000)]

        points = line_points(drawn(*quiet[:5000], (5.0, 10.0), *quiet[5000:]))

        heights = [y for _, y in points]
        assert len(points) < 2 * 720
        assert min(heights) < 45
        assert sorted(heights)[1] > 140

    @given(
        points=st.lists(
            st.tuples(st.floats(0, 1e5), st.floats(-1e9, 1e9)), min_size=1, max_size=50
        ),
        limit=st.none() | st.floats(1e-6, 1e6),
        trip=st.none() | st.floats(0, 1e5),
    )
    def test_any_readings_give_a_drawing_that_stays_on_its_page(
        self, points: list[tuple[float, float]], limit: float | None, trip: float | None
    ) -> None:
        """Whatever was read, the drawing is well-formed and inside its frame."""
        points = sorted(points)

        svg = drawn(*points, limit=limit, trip_s=trip)

        ET.fromstring(svg)  # noqa: S314 - our own text
        assert all(-1 <= x <= 721 and 29 <= y <= 159 for x, y in line_points(svg))

    def test_text_from_outside_is_escaped(self) -> None:
        """A step's name cannot become a part of the page."""
        svg = drawn((0.0, 1.0), (60.0, 1.0), step="<script>\u202e")

        assert "&lt;script&gt;\\u202e" in svg
        assert "<script" not in svg

    def test_an_envelope_near_the_readings_is_a_line(self) -> None:
        """The bound is drawn where the readings stay readable beside it."""
        assert 'class="limit"' in drawn((0.0, 24.0), limit=26.4)

    def test_an_envelope_far_above_the_readings_is_named(self) -> None:
        """A bound that would flatten the readings is given in words."""
        svg = drawn((0.0, 2.4), limit=26.4)

        assert 'class="limit"' not in svg
        assert "(envelope 26.4 V, above the plot)" in svg

    def test_a_trip_is_marked(self) -> None:
        """The cut of power stands in the plot with its time."""
        assert "trip at 3.210 s" in drawn((0.0, 1.0), (3.2, 1.0), trip_s=3.21)

    def test_few_readings_are_marked_one_by_one(self) -> None:
        """After an early trip every single reading can be seen."""
        assert drawn((0.0, 1.0), (0.1, 2.0), (0.2, 3.0)).count("<circle") == 3


class TestTicks:
    @pytest.mark.parametrize(
        ("low", "high", "values"),
        [
            (0.0, 26.4, [0, 10, 20]),
            (0.0, 1.5, [0, 0.5, 1.0, 1.5]),
            (-2.0, 2.0, [-2, -1, 0, 1, 2]),
            (0.0, 140.0, [0, 50, 100]),
            (3.0, 3.0, [3]),
        ],
    )
    def test_marks_are_round(self, low: float, high: float, values: list[float]) -> None:
        """Marks step by one, two or five times a power of ten."""
        assert ticks(low, high, 5) == pytest.approx(values)

    @given(low=st.floats(-1e6, 1e6), span=st.floats(1e-3, 1e6), most=st.integers(2, 12))
    def test_marks_are_few(self, low: float, span: float, most: int) -> None:
        """There are never more marks than were asked for, and one."""
        assert len(ticks(low, low + span, most)) <= most + 1


def drawing_of(steps: list[tuple[str, float, float]]) -> str:
    """Steps by name, begin and end, with one reading at each end."""
    trend = DecimatedTrend()
    for step, begin_s, end_s in steps:
        for time_s in (begin_s, end_s):
            trend.sample(time_s, step, (("voltage", 5.0, "V"),), "supply")
    return draw(trend, {})


def test_what_was_not_measured_is_not_drawn() -> None:
    """Between the last reading of a step and the first of the next there is no line."""
    svg = drawing_of([("soak", 0.0, 10.0), ("discharge", 50.0, 60.0)])

    [path] = re.findall(r'<path class="trace-supply-voltage" d="([^"]*)"', svg)
    assert path.count("M") == 2


def test_no_name_of_a_step_runs_into_another() -> None:
    """A narrow band gives way to a name that fits into its own band, and to a name before it."""
    svg = drawing_of([("start", 0.0, 40.0), ("overload", 40.1, 41.0), ("soak", 41.1, 90.0)])

    assert re.findall(r'class="step"[^>]*>([^<]*)<', svg) == ["start", "soak"]


def test_the_current_of_a_charge_has_a_panel_of_its_own() -> None:
    """A meter in series with a battery shows what the unit is for: current, taper, end."""
    trend = DecimatedTrend()
    for time_s, value in ((0.0, 2.0), (1.0, 1.0), (2.0, 0.1)):
        trend.sample(time_s, "charge", (("current_dc", value, "A"),), "meter")
    svg = draw(trend, {})

    assert "Meter, DC current" in svg
    assert 'class="trace-meter-current_dc"' in svg
