from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

from harness.profile.schema import Profile
from harness.qualify.plot import draw_campaign
from harness.qualify.rates import rates_of
from harness.qualify.unit_result import End, UnitResult

SVG = "{http://www.w3.org/2000/svg}"


class TestPlot:
    def test_it_is_one_picture_of_every_class(
        self, profile_a: Profile, rows_a: tuple[UnitResult, ...]
    ) -> None:
        """The plot is well-formed SVG, names every class, and draws each bar to its full length."""
        text = draw_campaign("Mount <controller>", rates_of(profile_a, rows_a), rows_a)
        root = ET.fromstring(text)  # noqa: S314 - our own text
        words = " ".join(node.text or "" for node in root.iter(f"{SVG}text"))

        assert root.tag == f"{SVG}svg"
        assert "Mount <controller>: 28 simulated units" in words
        for kind in {row.kind for row in rows_a}:
            assert kind in words
        bars = [node for node in root.iter(f"{SVG}rect") if node.find(f"{SVG}title") is not None]
        by_height: dict[str, float] = {}
        for bar in bars:
            by_height[bar.attrib["y"]] = by_height.get(bar.attrib["y"], 0.0) + float(
                bar.attrib["width"]
            )
        assert {round(width) for width in by_height.values()} == {580}

    def test_the_same_rows_give_the_same_file(
        self, profile_a: Profile, rows_a: tuple[UnitResult, ...]
    ) -> None:
        """A plot depends on its rows alone."""
        rates = rates_of(profile_a, rows_a)

        assert draw_campaign("A", rates, rows_a) == draw_campaign("A", rates, rows_a)

    def test_a_campaign_of_healthy_units_has_bars_alone(
        self, profile_a: Profile, rows_a: tuple[UnitResult, ...]
    ) -> None:
        """Without a fault that has degrees nothing is drawn over severity."""
        healthy = tuple(row for row in rows_a if row.kind == "healthy")

        assert "over severity" not in draw_campaign("A", rates_of(profile_a, healthy), healthy)

    def test_what_was_released_is_drawn_over_severity(
        self, profile_a: Profile, rows_a: tuple[UnitResult, ...]
    ) -> None:
        """A fault that was released shows green where it was, with its count and bound."""
        released = tuple(
            replace(row, end=End.RELEASED) if row.kind == "weak-bulk-capacitor" else row
            for row in rows_a
        )
        text = draw_campaign("A", rates_of(profile_a, released), released)
        strips = text.partition("over severity")[2]

        assert strips.count('fill="#2a7f3f"') >= 1
        assert "1 of 1 released, ≤ 100 %" in text
        assert "all faulty" in text
