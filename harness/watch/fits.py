"""The fitted curve over the readings, for the page of a run."""

from __future__ import annotations

from typing import Any

from harness.record.events import EventKind
from harness.report.decimated_trend import DecimatedTrend
from harness.report.drawn_fit import FitPlot
from harness.report.fit_plot import fit_plots

#: What a drawing that stands in no page says it is.
_SVG = "http://www.w3.org/2000/svg"


class Fits:
    """Follows a run as the report does, and keeps its drawings of what was fitted."""

    def __init__(self) -> None:
        self._trend = DecimatedTrend()
        self._plots: dict[str, FitPlot] = {}

    @property
    def told(self) -> list[dict[str, Any]]:
        """What is drawn, each with what it shows in words."""
        return [
            {"of": of, "key": plot.key, "levels": plot.levels} for of, plot in self._plots.items()
        ]

    def svg(self, of: str) -> str | None:
        """Return the drawing of a step's fit, as a file of its own; None where there is none."""
        plot = self._plots.get(of)
        return None if plot is None else plot.svg.replace("<svg ", f'<svg xmlns="{_SVG}" ', 1)

    def reading(self, time_s: float, source: str, name: str, value: float, unit: str) -> None:
        """Take in one row of ``readings.csv``."""
        self._trend.sample(time_s, "", ((name, value, unit),), source)

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in one row of ``events.csv``."""
        self._trend.event(time_s, kind, step, detail)
        if kind == EventKind.FIGURES:
            self._plots = {plot.of: plot for plot in fit_plots(self._trend)}
