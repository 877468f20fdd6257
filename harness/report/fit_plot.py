"""The fitted curve over the readings, level by level: readings as dots, the fit as a line."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from harness.quantity import format_quantity
from harness.record.figures import FittedLevel
from harness.report.axes import Axis, FloatArray, line, scale_for, style_sheet, ticks, words
from harness.report.decimated_trend import DecimatedTrend, Told
from harness.report.drawn_fit import FitPlot
from harness.report.gain_plot import gain_plot
from harness.report.svg import escaped

_WIDTH = 720.0
_LEFT, _END = 52.0, 712.0
_TOP, _PANEL, _GAP, _FOOT = 30.0, 92.0, 24.0, 34.0
_APART = 10.0  # between two levels

#: More levels side by side could not be told apart.
_MOST_LEVELS = 12
#: Dots a level at most: beyond, they hide the line.
_MOST_DOTS = 48
#: Readings at rest are drawn for so many times what came before, and what moves by less than this
#: share of its whole change counts as at rest.
_BEYOND, _AT_REST_FRAC = 1.8, 0.02

#: What is drawn, by what it was fitted to: source and quantity, title, unit, field of the fit.
_PANELS = {
    "start": (
        ("supply", "voltage", "Supply voltage", "V", "voltage_v"),
        ("supply", "current", "Supply current", "A", "current_a"),
    ),
    "discharge": (("meter", "voltage_dc", "Meter, DC voltage", "V", "voltage_v"),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """One quantity of one level: the fitted line, and the readings in its time."""

    times_s: FloatArray
    line: FloatArray
    read_s: FloatArray
    read: FloatArray

    @property
    def furthest(self) -> float:
        """Largest distance of a reading from the line; 0 without any."""
        if not len(self.read):
            return 0.0
        return float(np.max(np.abs(self.read - np.interp(self.read_s, self.times_s, self.line))))


def fit_plots(trend: DecimatedTrend) -> list[FitPlot]:
    """Draw what was fitted in a run; nothing for a step of which nothing was."""
    plots = (_plot(told) or gain_plot(told.figures) for told in trend.told)
    return [plot for plot in plots if plot is not None]


def _plot(told: Told) -> FitPlot | None:
    levels = [level for level in told.figures.fitted if len(level.times_s) > 1][:_MOST_LEVELS]
    panels = [
        (panel, columns)
        for panel in _PANELS[told.figures.of]
        if any(columns := [_drawn(told, level, panel) for level in levels])
    ]
    if not panels:
        return None
    bottom = _TOP + len(panels) * (_PANEL + _GAP) - _GAP
    titles = " and ".join(panel[2].lower() for panel, _ in panels)
    label = escaped(f"Fit of the {told.figures.of}: {titles} against time, level by level")
    size = f"0 0 {_WIDTH:g} {bottom + _FOOT:g}"
    parts = [f'<svg class="plot" viewBox="{size}" role="img" aria-label="{label}">', style_sheet()]
    times = _time_axes(levels)
    parts += _levels(levels, times, bottom)
    for number, (panel, columns) in enumerate(panels):
        parts += _panel(panel, columns, times, _TOP + number * (_PANEL + _GAP))
    return FitPlot(
        svg="\n".join([*parts, "</svg>"]),
        of=told.figures.of,
        key="Dots: readings. Line: what the fitted circuit gives.",
        levels=tuple(_sentences(levels, panels)),
    )


#: Source, quantity, title, unit, field of the fit.
_Panel = tuple[str, str, str, str, str]


def _drawn(told: Told, level: FittedLevel, panel: _Panel) -> _Drawn | None:
    source, quantity, _, _, field = panel
    fitted = np.array(getattr(level, field))
    if not len(fitted):
        return None
    times_s = np.array(level.times_s)
    read_s, read = told.readings.get((source, quantity), (np.array([]), np.array([])))
    end_s = _end_s(level)
    inside = (read_s >= times_s[0]) & (read_s <= end_s)
    until = times_s < end_s
    return _Drawn(
        times_s=np.append(times_s[until], end_s),
        line=np.append(fitted[until], np.interp(end_s, times_s, fitted)),
        read_s=read_s[inside],
        read=read[inside],
    )


def _end_s(level: FittedLevel) -> float:
    """Return when to stop drawing: some time after everything has come to rest, if it does."""
    begin_s, last_s = level.times_s[0], level.times_s[-1]
    moving_s = begin_s
    for values in (np.array(level.voltage_v), np.array(level.current_a)):
        apart = np.abs(values - values[-1:])
        moves = np.flatnonzero(apart > _AT_REST_FRAC * apart.max(initial=0.0))
        moving_s = max(moving_s, level.times_s[moves[-1]] if moves.size else begin_s)
    return min(last_s, begin_s + _BEYOND * (moving_s - begin_s)) if moving_s > begin_s else last_s


def _time_axes(levels: Sequence[FittedLevel]) -> list[Axis]:
    """Return an axis of its own for each level, side by side, each beginning at its fit's begin."""
    wide = (_END - _LEFT - _APART * (len(levels) - 1)) / len(levels)
    axes = []
    for number, level in enumerate(levels):
        start = _LEFT + number * (wide + _APART)
        axes.append(Axis(level.times_s[0], _end_s(level), start + 4, start + wide - 4))
    return axes


def _levels(levels: Sequence[FittedLevel], times: Sequence[Axis], bottom: float) -> Iterator[str]:
    """Shade every other level, name it, and write its times below."""
    longest_s = max(axis.high - axis.low for axis in times)
    scale, unit = (1.0, "s") if longest_s >= 1.0 else (1e-3, "ms")
    for number, (level, axis) in enumerate(zip(levels, times, strict=True)):
        begin, wide = axis.start - 4, axis.end - axis.start + 8
        yield (
            f'<rect class="band-{number % 2}" x="{begin:.1f}" y="{_TOP - 14:g}" '
            f'width="{wide:.1f}" height="{bottom - _TOP + 14:.1f}"/>'
        )
        yield words("step", begin + 3, _TOP - 18, _short(level.level, wide))
        for value in ticks(0.0, (axis.high - axis.low) / scale, max(int(wide / 60), 1)):
            x = axis.at(axis.low + value * scale)
            yield line("frame", x, bottom, x, bottom + 4)
            yield words("tick", x, bottom + 15, f"{value:g}", "middle")
    legend = f"time in each level, {unit}" if len(levels) > 1 else f"time, {unit}"
    yield words("tick", (_LEFT + _END) / 2, bottom + 29, legend, "middle")


def _short(name: str, wide: float) -> str:
    most = max(int(wide / 5.6), 3)
    return name if len(name) <= most else f"{name[: most - 1]}…"


def _panel(
    panel: _Panel, columns: Sequence[_Drawn | None], times: Sequence[Axis], top: float
) -> Iterator[str]:
    source, quantity, title, unit, _ = panel
    style = f"trace-{source}-{quantity}"
    there = [drawn for drawn in columns if drawn is not None]
    values = np.concatenate([each for drawn in there for each in (drawn.line, drawn.read)])
    floor, ceiling = min(float(values.min()), 0.0), float(values.max())
    room = 0.1 * (ceiling - floor) or 1.0
    bottom = top + _PANEL
    axis = Axis(floor - 0.4 * room, ceiling + room, bottom, top)
    scale, prefix = scale_for(max(abs(ceiling), abs(floor)))
    for value in ticks(floor / scale, (ceiling + room) / scale, 4):
        y = axis.at(value * scale)
        yield line("grid", _LEFT, y, _END, y)
        yield words("tick", _LEFT - 6, y + 3.2, f"{value:g}", "end")
    yield words("name", _LEFT, top - 5, f"{title}, {prefix}{unit}")
    for drawn, time in zip(columns, times, strict=True):
        if drawn is None:
            continue
        points = zip(time.places(drawn.times_s), axis.places(drawn.line), strict=True)
        path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        yield f'<path class="{style}" d="{path}"/>'
        every = -(-len(drawn.read) // _MOST_DOTS) or 1
        dots = zip(time.places(drawn.read_s), axis.places(drawn.read), strict=True)
        for x, y in itertools.islice(dots, 0, None, every):
            yield f'<circle class="{style}" cx="{x:.1f}" cy="{y:.1f}" r="1.9"/>'
    yield line("frame", _LEFT, top, _LEFT, bottom)
    yield line("frame", _LEFT, bottom, _END, bottom)


def _sentences(
    levels: Sequence[FittedLevel],
    panels: Sequence[tuple[_Panel, Sequence[_Drawn | None]]],
) -> Iterator[str]:
    """Say of each level what its part of the drawing shows."""
    for number, level in enumerate(levels):
        there = [(panel, drawn) for panel, columns in panels if (drawn := columns[number])]
        time_s = _end_s(level) - level.times_s[0]
        count = max(len(drawn.read) for _, drawn in there)
        spans = (
            f"{panel[1].partition('_')[0]} {format_quantity(float(drawn.line[0]), panel[3], 3)} to "
            f"{format_quantity(float(drawn.line[-1]), panel[3], 3)}, every reading within "
            f"{format_quantity(drawn.furthest, panel[3], 2)} of the line"
            for panel, drawn in there
        )
        readings = "1 reading" if count == 1 else f"{count} readings"
        yield f"{level.level}: {readings} in {format_quantity(time_s, 's', 3)}; {'; '.join(spans)}."
