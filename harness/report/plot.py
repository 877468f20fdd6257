"""Plots of a run as inline SVG: no script, no font to load, sharp on paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt

from harness.quantity import format_quantity
from harness.report.decimated_trend import Band, Trace
from harness.report.svg import escaped, text

FloatArray = npt.NDArray[np.float64]

_WIDTH = 720.0
_LEFT, _END = 52.0, 708.0
_TOP = 30.0
_PANEL = 128.0
_GAP = 26.0
_FOOT = 34.0

#: A limit more than this many times above the readings would flatten them, and is named instead.
_FAR = 4.0

#: Up to this many points each is marked: after an early trip every reading counts.
_DOTTED = 60

_SCALES = ((1.0, ""), (1e-3, "m"), (1e-6, "u"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One quantity to draw.

    Attributes:
        title: What is drawn.
        unit: SI unit of the trace and the limit.
        trace: The readings.
        limit: The envelope's bound, or None.
        style: Name of the line's style class.
    """

    title: str
    unit: str
    trace: Trace
    limit: float | None
    style: str


def draw(panels: Sequence[Panel], bands: Sequence[Band], trip_s: float | None = None) -> str:
    """Draw panels one above the other, over one axis of time.

    Args:
        panels: At least one; each trace has readings.
        bands: Steps, drawn behind the panels.
        trip_s: When power was cut, or None.

    Returns:
        An ``svg`` element; all text in it is escaped.
    """
    begin_s = min(0.0, *(min(panel.trace.times_s) for panel in panels))
    end_s = max(trip_s or 0.0, *(max(panel.trace.times_s) for panel in panels))
    margin_s = 0.03 * (end_s - begin_s) or 1.0  # the last reading and the trip stay off the edge
    time = _Axis(begin_s, end_s + margin_s, _LEFT, _END)
    bottom = _TOP + len(panels) * (_PANEL + _GAP) - _GAP
    size = f"0 0 {_WIDTH:g} {bottom + _FOOT:g}"
    label = escaped("Plot against time: " + ", ".join(panel.title for panel in panels))
    parts = [f'<svg class="plot" viewBox="{size}" role="img" aria-label="{label}">', _style()]
    parts += _bands(bands, time, bottom)
    for number, panel in enumerate(panels):
        top = _TOP + number * (_PANEL + _GAP)
        parts += _panel(panel, time, top)
    parts += _time_axis(time, bottom)
    if trip_s is not None:
        parts += _trip(trip_s, time, bottom)
    return "\n".join([*parts, "</svg>"])


@cache
def _style() -> str:
    """Return the drawing's own look: not every program that prints applies the page's to it."""
    css = resources.files(__package__).joinpath("plot.css").read_text(encoding="utf-8")
    return f"<style>\n{css}</style>"


def ticks(low: float, high: float, most: int) -> list[float]:
    """Return round values (steps of 1, 2 or 5) within an interval, at most ``most`` + 1."""
    raw = (high - low) / most
    if not (math.isfinite(raw) and raw > 0):
        return [low]
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


@dataclass(frozen=True, slots=True)
class _Axis:
    """Maps values from ``low`` to ``high`` to places on the page from ``start`` to ``end``."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        return float(self.places(np.array(value)))

    def places(self, values: FloatArray) -> FloatArray:
        # an interval of denormal numbers has no scale that a float can hold
        span = max(self.high - self.low, 1e-12)
        return self.start + (values - self.low) * ((self.end - self.start) / span)


def _panel(panel: Panel, time: _Axis, top: float) -> list[str]:
    highest, lowest = max(panel.trace.highs), min(panel.trace.lows)
    limit = panel.limit
    near = limit is not None and limit <= _FAR * max(highest, 0.0)
    ceiling = max(highest, limit if near and limit is not None else highest)
    floor = min(lowest, 0.0)
    room = 0.08 * (ceiling - floor) or 1.0
    bottom = top + _PANEL
    axis = _Axis(floor, ceiling + room, bottom, top)
    scale, prefix = _scale(max(abs(ceiling), abs(floor)))

    parts = []
    for value in ticks(floor / scale, (ceiling + room) / scale, 5):
        y = axis.at(value * scale)
        parts.append(_line("grid", _LEFT, y, _END, y))
        parts.append(_text("tick", _LEFT - 6, y + 3.2, f"{value:g}", "end"))
    title = f"{panel.title}, {prefix}{panel.unit}"
    if limit is not None:
        bound = f"envelope {format_quantity(limit, panel.unit)}"
        if near:
            y = axis.at(limit)
            parts.append(_line("limit", _LEFT, y, _END, y))
            parts.append(_text("limit-name", _LEFT + 4, y + 10, bound))
        else:
            title += f" ({bound}, above the plot)"
    parts.append(_text("name", _LEFT, top - 5, title))
    lines = _lines(panel.trace, time, axis)
    parts.append(f'<path class="{panel.style}" d="{"".join(map(_stroke, lines))}"/>')
    points = [point for line in lines for point in line]
    if len(points) <= _DOTTED:
        parts += (
            f'<circle class="{panel.style}" cx="{x:g}" cy="{y:.1f}" r="2"/>' for x, y in points
        )
    parts.append(_line("frame", _LEFT, top, _LEFT, bottom))
    parts.append(_line("frame", _LEFT, bottom, _END, bottom))
    return parts


def _stroke(line: Sequence[tuple[float, float]]) -> str:
    """Return a line as a path; a lone point as a stroke short enough to be a dot."""
    path = "M" + "L".join([f"{x:g} {y:.1f}" for x, y in line])
    return path if len(line) > 1 else f"{path}h.1"


def _lines(trace: Trace, time: _Axis, axis: _Axis) -> list[list[tuple[float, float]]]:
    """Return the points of each line, at most two in every column of the page.

    Within a column the line goes from lowest to highest or back, so that no spike is lost.
    """
    if not trace.times_s:
        return []
    columns = np.rint(time.places(np.array(trace.times_s)))
    # A column begins where the page's next one does, and where something was not measured.
    begins = np.union1d(np.flatnonzero(np.diff(columns, prepend=-np.inf)), trace.begins).astype(int)
    begins = begins[begins < len(columns)]
    lowest = axis.places(np.minimum.reduceat(np.array(trace.lows), begins))
    highest = axis.places(np.maximum.reduceat(np.array(trace.highs), begins))
    lines: list[list[tuple[float, float]]] = []
    apart = {0, *trace.begins}
    upwards = True
    for begin, x, low, high in zip(
        begins.tolist(), columns[begins].tolist(), lowest.tolist(), highest.tolist(), strict=True
    ):
        if begin in apart:
            lines.append([])
        if low == high:
            lines[-1].append((x, low))
        else:
            lines[-1] += [(x, low), (x, high)] if upwards else [(x, high), (x, low)]
            upwards = not upwards
    return lines


def _bands(bands: Sequence[Band], time: _Axis, bottom: float) -> list[str]:
    places = []
    for number, band in enumerate(bands):
        begin = time.at(band.begin_s)
        # A step lasts until the next one's first reading.
        last = bands[number + 1].begin_s if number + 1 < len(bands) else band.end_s
        places.append((begin, max(time.at(last) - begin, 0.5), _short(band.step)))
    parts = []
    named_to = -math.inf
    for number, (begin, width, name) in enumerate(places):
        parts.append(
            f'<rect class="band-{number % 2}" x="{begin:.1f}" y="{_TOP - 18:g}" '
            f'width="{width:.1f}" height="{bottom - _TOP + 18:.1f}"/>'
        )
        end = begin + _room(name)
        # A name may run over the next band, but never into a name, nor where one fits in its own.
        later = places[number + 1 :]
        taken = any(end > other and wide >= _room(text) for other, wide, text in later)
        if begin > named_to and end <= _WIDTH and (width >= end - begin or not taken):
            parts.append(_text("step", begin + 3, _TOP - 21, name))
            named_to = end
    return parts


def _short(name: str) -> str:
    return name if len(name) <= 24 else f"{name[:23]}…"


def _room(name: str) -> float:
    return 5.4 * len(name) + 6


def _time_axis(time: _Axis, bottom: float) -> list[str]:
    scale, unit = (60.0, "min") if time.high >= 300 else (1.0, "s")
    parts = []
    for value in ticks(time.low / scale, time.high / scale, 10):
        x = time.at(value * scale)
        parts.append(_line("frame", x, bottom, x, bottom + 4))
        parts.append(_text("tick", x, bottom + 15, f"{value:g}", "middle"))
    legend = f"time since the start of the run, {unit}"
    return [*parts, _text("tick", (_LEFT + _END) / 2, bottom + 29, legend, "middle")]


def _trip(trip_s: float, time: _Axis, bottom: float) -> list[str]:
    x = time.at(trip_s)
    shift, anchor = (-4, "end") if x > _WIDTH / 2 else (4, "start")
    return [
        _line("trip", x, _TOP - 18, x, bottom),
        _text("trip-name", x + shift, bottom - 6, f"trip at {trip_s:.3f} s", anchor),
    ]


def _line(style: str, x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="{style}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(style: str, x: float, y: float, words: str, anchor: str = "start") -> str:
    return text(x, y, words, f'class="{style}" text-anchor="{anchor}"')


def _scale(largest: float) -> tuple[float, str]:
    for scale, prefix in _SCALES:
        if largest >= 0.3 * scale:
            return scale, prefix
    return _SCALES[0]
