"""Energy of an AC start against the gain of voltage squared: the drawing, and its words."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

from harness.record.figures import Figure, Figures, Gain, figures_detail
from harness.report.decimated_trend import DecimatedTrend
from harness.report.fit_plot import fit_plots
from harness.report.gain_plot import gain_plot

#: 150 uF; the first level lies 1.5 mJ above its line, by hand 0.114 J - 150 uF x 750 V^2.
TOLD = Figures(
    of="start",
    figures=(Figure(measure="start.bulk_capacitance", unit="F", value=150e-6, expanded=13e-6),),
    gains=(
        Gain(level='25 %"><b>', square_v2=750.0, energy_j=0.114, expanded_j=0.014),
        Gain(level="39 %", square_v2=2000.0, energy_j=0.300, expanded_j=0.028),
    ),
)


class TestGainPlot:
    def test_each_level_is_a_point_with_its_uncertainty(self) -> None:
        """Two points, in both panels, a bar to each, and one line a panel that is no reading."""
        plot = gain_plot(TOLD)
        assert plot is not None
        drawing = ET.fromstring(plot.svg)  # noqa: S314 - our own
        lines = [each.attrib["class"] for each in drawing.findall("line")]

        assert len(drawing.findall("circle")) == 4
        assert lines.count("trace-supply-power") == 2
        assert lines.count("bar") == 4 * 3

    def test_the_line_goes_through_nothing_with_the_capacitance_for_slope(self) -> None:
        """A level whose energy is the capacitance times its gain lies on the line."""
        plot = gain_plot(TOLD)
        assert plot is not None
        drawing = ET.fromstring(plot.svg)  # noqa: S314 - our own
        first = drawing.findall("line[@class='trace-supply-power']")[0].attrib
        x1, y1, x2, y2 = (float(first[name]) for name in ("x1", "y1", "x2", "y2"))
        last = drawing.findall("circle")[1].attrib
        x, y = float(last["cx"]), float(last["cy"])

        assert abs(y - (y1 + (y2 - y1) * (x - x1) / (x2 - x1))) < 0.2

    def test_words_say_what_it_shows(self) -> None:
        """Whoever does not see the drawing reads each energy, and how far off the line it lies."""
        plot = gain_plot(TOLD)
        assert plot is not None

        assert plot.levels == (
            'Up to 25 %"><b>: 114 mJ ± 14 mJ for 750 V², 1.5 mJ above the line.',
            "Up to 39 %: 300 mJ ± 28 mJ for 2000 V², on the line.",
        )
        assert "<b>" not in plot.svg

    def test_one_gain_is_no_line(self) -> None:
        """A line through nothing and one point shows nothing: it is not drawn."""
        assert gain_plot(replace(TOLD, gains=TOLD.gains[:1])) is None

    def test_without_a_figure_there_is_no_line(self) -> None:
        """Gains that were not explained have no slope."""
        assert gain_plot(replace(TOLD, figures=())) is None

    def test_report_and_page_draw_it(self) -> None:
        """What follows a run's events finds it where the fits of other starts are."""
        trend = DecimatedTrend()
        trend.event(1.0, "figures", "start", figures_detail(TOLD))
        (plot,) = fit_plots(trend)

        assert plot.of == "start"
        assert plot.key.startswith("Points: energy taken since the lowest level")
