"""What a start told of the unit, in words and as a drawing."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from typing import Any

from harness.record.csv_text import EVENTS
from harness.record.figures import (
    Figure,
    Figures,
    FittedLevel,
    KnownFigures,
    figures_detail,
    known_detail,
)
from harness.report.decimated_trend import DecimatedTrend
from harness.report.figures import FigureRow, figures_summary, rows_of_all, rows_of_events
from harness.report.fit_plot import fit_plots
from harness.report.page import report_html
from tests.record.test_figures import KNOWN, TOLD

PLANNED = json.dumps({"known": known_detail(KNOWN)})


class TestRows:
    def test_a_figure_stands_beside_what_was_known(self) -> None:
        """A figure has its uncertainty, the nameplate's, with which it agrees, and earlier ones."""
        found, _ = rows_of_all([TOLD], KNOWN)

        assert found == FigureRow(
            of="start",
            name="bulk capacitance",
            found="466.0 ± 9.0 uF",
            nameplate="470 uF (agrees)",
            earlier=("471.0 ± 9.0 uF on 2026-11-02",),
            why_not="",
        )

    def test_a_figure_that_is_none_says_why(self) -> None:
        """Where the readings carry no figure the reason stands in its place."""
        _, none = rows_of_all([TOLD], KNOWN)

        assert (none.found, none.why_not) == ("", "one level only")

    def test_what_is_off_by_more_than_its_uncertainty_says_how_far(self) -> None:
        """It is told in per cent of the nameplate's, and beyond tenfold as a multiple."""
        for value, text in ((0.0094, "470 uF (20 times)"), (235e-6, "470 uF (-50 %)")):
            far = Figure(measure="start.bulk_capacitance", unit="F", value=value, expanded=9e-6)
            (row,) = rows_of_all([Figures(of="start", figures=(far,))], KNOWN)

            assert row.nameplate == text

    def test_they_come_out_of_the_events_alone(self) -> None:
        """The events of a run are all that is needed, whatever else is among them."""
        events = [("plan", PLANNED), ("step", "start"), ("figures", figures_detail(TOLD))]

        assert list(rows_of_events(events)) == list(rows_of_all([TOLD], KNOWN))
        assert list(rows_of_events([("figures", "{}"), ("plan", "")])) == []

    def test_a_second_start_is_told_from_the_first(self) -> None:
        """Of several starts each has its number, from the second on."""
        of = [row.of for row in rows_of_events([("figures", figures_detail(TOLD))] * 3)]

        assert list(dict.fromkeys(of)) == ["start", "start no. 2", "start no. 3"]

    def test_a_second_start_stands_beside_an_earlier_second_start(self) -> None:
        """A start at another line takes another energy: that of the first is no comparison."""
        first, _, second, _ = rows_of_all([TOLD, TOLD], KNOWN)

        assert first.earlier
        assert not second.earlier

    def test_a_reason_that_two_have_is_told_once(self) -> None:
        """The second refers to the first; a figure of several levels is that of the highest."""
        why = "10 %: 2 readings while the voltage rose, 3 are needed"
        leaks = tuple(
            Figure(
                measure="start.leakage_current", level=level, unit="A", value=amperes, expanded=2e-3
            )
            for level, amperes in (("10 %", 1e-3), ("25 %", 3e-3))
        )
        bulk, series = (
            Figure(measure=f"start.{name}", unit=unit, why_not=why)
            for name, unit in (("bulk_capacitance", "F"), ("series_resistance", "ohm"))
        )
        told = Figures(of="start", figures=(bulk, *leaks, series))
        first, leak, second = rows_of_all([told], KnownFigures())

        assert (first.why_not, second.why_not) == (why, "as for the bulk capacitance")
        assert (leak.name, leak.found) == ("leakage current at 25 %", "3.0 ± 2.0 mA")
        assert leak.by_level == "leakage current by level: 10 %: 1.0 ± 2.0 mA; 25 %: 3.0 ± 2.0 mA"
        assert figures_summary(told) == (
            "of the start: leakage current at 25 % 3.0 ± 2.0 mA, 2 without a value"
        )

    def test_a_line_says_what_came_of_it(self) -> None:
        """In a list of events the figures take a line, not their data."""
        told = "of the start: bulk capacitance 466.0 ± 9.0 uF, 1 without a value"

        assert figures_summary(TOLD) == told


def charged(*, every_s: float = 0.01, off_v: float = 0.0) -> DecimatedTrend:
    """A level charged at 1 V in 0.1 s, read as it was fitted but for one reading."""
    trend = DecimatedTrend()
    trend.event(0.0, "plan", "", PLANNED)
    count = round(0.1 / every_s) + 1
    for number in range(count):
        time_s = 5.0 + number * every_s
        volts = 10 * (time_s - 5.0) + (off_v if number == 3 else 0.0)
        values = (("voltage", volts, "V"), ("current", 0.02, "A"))
        trend.sample(time_s, "start", values, "supply")
    line = FittedLevel(
        level="10 %", times_s=(5.0, 5.1), voltage_v=(0.0, 1.0), current_a=(0.02, 0.02)
    )
    detail = figures_detail(Figures(of="start", figures=TOLD.figures, fitted=(line,)))
    trend.event(6.0, "figures", "start", detail)
    return trend


class TestFitPlot:
    def test_readings_are_dots_and_the_fit_is_a_line(self) -> None:
        """Each reading in a level's time is a dot in both panels, and the fit one line in each."""
        (plot,) = fit_plots(charged())
        drawing = ET.fromstring(plot.svg)  # noqa: S314 - our own

        assert len(drawing.findall("circle")) == 2 * 11
        assert len(drawing.findall("path")) == 2
        assert drawing.attrib["aria-label"].startswith("Fit of the start: supply voltage and")

    def test_words_say_what_it_shows(self) -> None:
        """Whoever does not see the drawing reads how many readings there are and how far off."""
        (plot,) = fit_plots(charged(off_v=0.05))

        assert plot.levels == (
            (
                "10 %: 11 readings in 100 ms; voltage 0 V to 1 V, every reading within 50 mV of "
                "the line; current 20 mA to 20 mA, every reading within 0 A of the line."
            ),
        )

    def test_thousands_of_readings_leave_the_line_to_be_seen(self) -> None:
        """Of many readings some are drawn; the words count them all."""
        (plot,) = fit_plots(charged(every_s=0.0001))

        assert plot.svg.count("<circle") <= 2 * 48
        assert plot.levels[0].startswith("10 %: 1001 readings")

    def test_without_a_fit_there_is_no_drawing(self) -> None:
        """Figures without a curve, and a curve of one point, are not drawn."""
        trend = DecimatedTrend()
        lone = FittedLevel(level="10 %", times_s=(1.0,), voltage_v=(1.0,))
        for fitted in ((), (lone,)):
            told = Figures(of="start", figures=(), fitted=fitted)
            trend.event(1.0, "figures", "start", figures_detail(told))

        assert fit_plots(trend) == []

    def test_a_discharge_is_drawn_from_the_meter(self) -> None:
        """What fell is drawn over the meter's readings, in one panel."""
        trend = DecimatedTrend()
        for number in range(5):
            values = (("voltage_dc", 24.0 - number, "V"),)
            trend.sample(10.0 + number, "discharge", values, "meter")
        line = FittedLevel(level="bulk", times_s=(10.0, 14.0), voltage_v=(24.0, 20.0))
        told = Figures(of="discharge", figures=(), fitted=(line,))
        trend.event(15.0, "figures", "discharge", figures_detail(told))
        (plot,) = fit_plots(trend)

        assert plot.svg.count("<circle") == 5
        assert plot.svg.count('class="trace-meter-voltage_dc" d=') == 1


class TestPage:
    def test_the_report_carries_figures_and_fit(
        self, account: Callable[..., dict[str, Any]]
    ) -> None:
        """The page has the figures, their reasons, what was known before, and the drawing."""
        facts = {**account(), "run_id": "r", "serial": "HRW-0007", "released": True}
        page = report_html(facts, [], charged(), {}).decode()

        for told in (
            "What the start told of the unit",
            '<td class="v">466.0 ± 9.0 uF</td>',
            '<td class="n">470 uF (agrees)</td>',
            "471.0 ± 9.0 uF on 2026-11-02",
            "none: one level only",
            "10 %: 11 readings in 100 ms",
        ):
            assert told in page
        assert "fitted" not in page.partition("Annex: events")[2]
        assert page.count('<svg class="plot"') == 2

    def test_without_figures_nothing_is_said_of_them(
        self, account: Callable[..., dict[str, Any]]
    ) -> None:
        """A record from before there were figures has a page as it was."""
        facts = {**account(), "run_id": "r", "serial": "HRW-0007", "released": True}

        assert "told of the unit" not in report_html(facts, [], DecimatedTrend(), {}).decode()


def test_the_journal_keeps_the_event_whole() -> None:
    """JSON goes through a row of the journal and back unchanged."""
    from harness.record.csv_text import header, word
    from harness.record.tables import table_frame

    detail = figures_detail(TOLD)
    row = f"1.0,figures,start,{word(detail)}\n"
    events, problems = table_frame(f"{header(EVENTS)}{row}".encode(), EVENTS)

    assert (list(events["detail"]), problems) == ([detail], [])


class TestWhereItEnds:
    def test_the_hold_takes_no_more_room_than_the_rise(self) -> None:
        """After all has come to rest the drawing goes on for a while, not for the whole hold."""
        trend = DecimatedTrend()
        for number in range(101):
            time_s = 0.1 * number
            values = (("voltage", min(time_s, 1.0), "V"), ("current", 0.0, "A"))
            trend.sample(time_s, "start", values, "supply")
        line = FittedLevel(
            level="10 %", times_s=(0.0, 1.0, 1.1, 10.0), voltage_v=(0.0, 0.95, 1.0, 1.0)
        )
        told = Figures(of="start", figures=(), fitted=(line,))
        trend.event(11.0, "figures", "start", figures_detail(told))
        (plot,) = fit_plots(trend)

        # the last moment away from rest is 1 s; 1.8 times as long is drawn
        assert plot.levels[0].startswith("10 %: 19 readings in 1.8 s; voltage 0 V to 1 V")
