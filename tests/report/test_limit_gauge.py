from __future__ import annotations

import math
import re
from collections.abc import Callable
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.record.sink import CheckRow
from harness.report.limit_gauge import draw_limit_gauge

MakeRow = Callable[..., CheckRow]
FIGURE = st.floats(-1e9, 1e9)


def bars(svg: str, style: str) -> list[tuple[float, float]]:
    """Begin and end of every strip of a style."""
    found = re.findall(rf'<rect class="{style}" x="([\d.]+)" y="13" width="([\d.]+)"', svg)
    return [(float(x), float(x) + float(width)) for x, width in found]


def place(svg: str) -> float:
    """Where the diamond of the value stands."""
    found = re.search(r'class="at \w+" d="M([\d.]+) 11l5', svg)
    assert found is not None
    return float(found[1])


class TestPlaces:
    def test_the_middle_of_the_limits_is_the_middle_of_the_strip(self, row: MakeRow) -> None:
        """A value halfway between its limits stands halfway between their strokes."""
        svg = draw_limit_gauge(row(value=5.0, low=4.9, high=5.1, uncertainty=0.01))

        low, high = (float(x) for x in re.findall(r'class="limit" d="M([\d.]+) ', svg))
        assert place(svg) == pytest.approx((low + high) / 2, abs=0.06)

    def test_the_guard_band_is_u_wide(self, row: MakeRow) -> None:
        """What is accepted ends U inside each limit, and under the simple rule at it."""
        guarded = draw_limit_gauge(row(value=5.0, low=4.9, high=5.1, uncertainty=0.02))
        simple = draw_limit_gauge(
            row(value=5.0, low=4.9, high=5.1, uncertainty=0.02, rule="simple")
        )

        [(begin, end)], [(inner, outer)] = bars(guarded, "guard"), bars(guarded, "accept")
        assert inner - begin == pytest.approx((end - begin) / 10, abs=0.2)
        assert end - outer == pytest.approx((end - begin) / 10, abs=0.2)
        assert bars(simple, "guard") == bars(simple, "accept")

    def test_a_guard_band_that_leaves_nothing_leaves_no_strip(self, row: MakeRow) -> None:
        """With U above half the distance of the limits nothing is drawn as accepted."""
        svg = draw_limit_gauge(row(value=5.0, low=4.9, high=5.1, uncertainty=0.11))

        assert bars(svg, "accept") == []

    @pytest.mark.parametrize(("value", "arrow"), [(900.0, "M247 "), (-900.0, "M3 ")])
    def test_far_off_is_an_arrow_at_the_end(self, row: MakeRow, value: float, arrow: str) -> None:
        """A value far beyond its limits is an arrow, and the limits stay apart."""
        svg = draw_limit_gauge(row(value=value, low=4.9, high=5.1, verdict="fail"))

        assert f'class="at fail" d="{arrow}' in svg
        low, high = (float(x) for x in re.findall(r'class="limit" d="M([\d.]+) ', svg))
        assert high - low > 80

    def test_one_upper_limit_is_drawn_from_zero(self, row: MakeRow) -> None:
        """A ripple of half its limit stands halfway from the strip's begin to the limit."""
        svg = draw_limit_gauge(row(value=0.05, low=None, high=0.1, uncertainty=0.002))

        limit = float(re.findall(r'class="limit" d="M([\d.]+) ', svg)[0])
        assert place(svg) - 10 == pytest.approx((limit - 10) / 2, abs=0.1)

    @given(value=FIGURE, low=FIGURE, span=st.floats(0, 1e9), u=st.floats(0, 1e9))
    def test_nothing_leaves_the_picture(
        self, value: float, low: float, span: float, u: float
    ) -> None:
        """Whatever the figures, every mark lies inside the picture, and it is well-formed."""
        for limits in ((low, low + span), (low, None), (None, low)):
            svg = draw_limit_gauge(made(value=value, low=limits[0], high=limits[1], uncertainty=u))
            for x in re.findall(r'(?:x="|d="M|H)(-?[\d.]+)', svg):
                assert -0.5 <= float(x) <= 250.5
            assert not svg or ET.fromstring(svg).tag == "svg"  # noqa: S314 - our own


def made(**changed: object) -> CheckRow:
    """A check without a fixture, for hypothesis."""
    columns: dict[str, object] = {
        "step": "nominal",
        "check": "rail",
        "quantity": "meter.voltage_dc",
        "unit": "V",
        "rule": "guarded",
        "verdict": "pass",
        "margin": 0.0,
    }
    return CheckRow(**{**columns, **changed})  # type: ignore[arg-type]


def test_every_mark_carries_its_own_look() -> None:
    """Nothing of a ruler is left to a style sheet, which some printing programs do not apply."""
    svg = draw_limit_gauge(made(value=5.0, low=4.9, high=5.1, uncertainty=0.01))
    marks = re.findall(r"<(?:path|rect|text) [^>]*>", svg)

    assert len(marks) >= 8
    assert all("fill=" in mark or "stroke=" in mark for mark in marks)


class TestNothingToDraw:
    @pytest.mark.parametrize(
        "changed",
        [
            {"value": math.nan},
            {"value": math.inf},
            {"low": None, "high": None},
            {"low": math.nan, "high": math.nan},
            {"low": -1.7e308, "high": 1.7e308},
        ],
    )
    def test_without_figures_there_is_no_ruler(
        self, row: MakeRow, changed: dict[str, float | None]
    ) -> None:
        """A check without a value or a limit, or past what can be drawn, has no ruler."""
        assert not draw_limit_gauge(row(**changed))

    def test_hostile_text_stays_text(self, row: MakeRow) -> None:
        """A check's name and verdict cannot become markup or a class."""
        evil = '"><script>'
        svg = draw_limit_gauge(row(check=evil, verdict=evil))

        assert "<script>" not in svg
        assert 'class="at undecided"' in svg
