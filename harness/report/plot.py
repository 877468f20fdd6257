"""Plots of a run as inline SVG: no script, no font to load, sharp on paper."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from harness.quantity import format_quantity
from harness.report.axes import Axis, line, scale_for, style_sheet, ticks, words
from harness.report.decimated_trend import DRAWN, Band, DecimatedTrend, Trace
from harness.report.svg import escaped

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


def draw(trend: DecimatedTrend, envelope: Mapping[str, Any]) -> str:
    """Draw each trace as a panel, one above the other, over one axis of time; empty without any.

    The steps stand behind the panels, the bounds of the envelope and the trip, if any, in them. All
    text in the ``svg`` element is escaped.
    """
    traces = trend.traces
    if not traces:
        return ""
    trip_s = None if trend.trip is None else trend.trip.time_s
    begin_s = min(0.0, *(min(trace.times_s) for trace in traces.values()))
    end_s = max(trip_s or 0.0, *(max(trace.times_s) for trace in traces.values()))
    margin_s = 0.03 * (end_s - begin_s) or 1.0  # the last reading and the trip stay off the edge
    time = Axis(begin_s, end_s + margin_s, _LEFT, _END)
    bottom = _TOP + len(traces) * (_PANEL + _GAP) - _GAP
    size = f"0 0 {_WIDTH:g} {bottom + _FOOT:g}"
    label = escaped("Plot against time: " + ", ".join(DRAWN[key][0] for key in traces))
    parts = [f'<svg class="plot" viewBox="{size}" role="img" aria-label="{label}">', style_sheet()]
    parts += _bands(trend.bands, time, bottom)
    for number, (key, trace) in enumerate(traces.items()):
        top = _TOP + number * (_PANEL + _GAP)
        parts += _panel(key, trace, envelope.get(DRAWN[key][2]), time, top)
    parts += _time_axis(time, bottom)
    if trip_s is not None:
        parts += _trip(trip_s, time, bottom)
    return "\n".join([*parts, "</svg>"])


def _panel(
    key: tuple[str, str], trace: Trace, limit: float | None, time: Axis, top: float
) -> Iterator[str]:
    title, unit, _ = DRAWN[key]
    style = f"trace-{'-'.join(key)}"
    highest, lowest = max(trace.highs), min(trace.lows)
    near = limit is not None and limit <= _FAR * max(highest, 0.0)
    ceiling = max(highest, limit if near and limit is not None else highest)
    floor = min(lowest, 0.0)
    room = 0.08 * (ceiling - floor) or 1.0
    bottom = top + _PANEL
    axis = Axis(floor, ceiling + room, bottom, top)
    scale, prefix = scale_for(max(abs(ceiling), abs(floor)))

    for value in ticks(floor / scale, (ceiling + room) / scale, 5):
        y = axis.at(value * scale)
        yield line("grid", _LEFT, y, _END, y)
        yield words("tick", _LEFT - 6, y + 3.2, f"{value:g}", "end")
    name = f"{title}, {prefix}{unit}"
    if limit is not None:
        bound = f"envelope {format_quantity(limit, unit)}"
        if near:
            y = axis.at(limit)
            yield line("limit", _LEFT, y, _END, y)
            yield words("limit-name", _LEFT + 4, y + 10, bound)
        else:
            name += f" ({bound}, above the plot)"
    yield words("name", _LEFT, top - 5, name)
    lines = _lines(trace, time, axis)
    yield f'<path class="{style}" d="{"".join(map(_stroke, lines))}"/>'
    points = [point for line in lines for point in line]
    if len(points) <= _DOTTED:
        for x, y in points:
            yield f'<circle class="{style}" cx="{x:g}" cy="{y:.1f}" r="2"/>'
    yield line("frame", _LEFT, top, _LEFT, bottom)
    yield line("frame", _LEFT, bottom, _END, bottom)


def _stroke(line: Sequence[tuple[float, float]]) -> str:
    """Return a line as a path; a lone point as a stroke short enough to be a dot."""
    path = "M" + "L".join([f"{x:g} {y:.1f}" for x, y in line])
    return path if len(line) > 1 else f"{path}h.1"


def _lines(trace: Trace, time: Axis, axis: Axis) -> list[list[tuple[float, float]]]:
    """Return the points of each line, at most two in every column of the page.

    Within a column the line goes from lowest to highest or back, so that no spike is lost.
    """
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


def _bands(bands: Sequence[Band], time: Axis, bottom: float) -> Iterator[str]:
    # A step lasts until the next one's first reading.
    ends_s = [band.begin_s for band in bands[1:]] + [band.end_s for band in bands[-1:]]
    places = []
    for band, end_s in zip(bands, ends_s, strict=True):
        begin = time.at(band.begin_s)
        name = band.step if len(band.step) <= 24 else f"{band.step[:23]}…"
        places.append((begin, max(time.at(end_s) - begin, 0.5), name, 5.4 * len(name) + 6))
    named_to = -math.inf
    for number, (begin, width, name, room) in enumerate(places):
        yield (
            f'<rect class="band-{number % 2}" x="{begin:.1f}" y="{_TOP - 18:g}" '
            f'width="{width:.1f}" height="{bottom - _TOP + 18:.1f}"/>'
        )
        end = begin + room
        # A name may run over the next band, but never into a name, nor where one fits in its own.
        taken = any(end > other and wide >= need for other, wide, _, need in places[number + 1 :])
        if begin > named_to and end <= _WIDTH and (width >= room or not taken):
            yield words("step", begin + 3, _TOP - 21, name)
            named_to = end


def _time_axis(time: Axis, bottom: float) -> Iterator[str]:
    scale, unit = (60.0, "min") if time.high >= 300 else (1.0, "s")
    for value in ticks(time.low / scale, time.high / scale, 10):
        x = time.at(value * scale)
        yield line("frame", x, bottom, x, bottom + 4)
        yield words("tick", x, bottom + 15, f"{value:g}", "middle")
    legend = f"time since the start of the run, {unit}"
    yield words("tick", (_LEFT + _END) / 2, bottom + 29, legend, "middle")


def _trip(trip_s: float, time: Axis, bottom: float) -> Iterator[str]:
    x = time.at(trip_s)
    shift, anchor = (-4, "end") if x > _WIDTH / 2 else (4, "start")
    yield line("trip", x, _TOP - 18, x, bottom)
    yield words("trip-name", x + shift, bottom - 6, f"trip at {trip_s:.3f} s", anchor)
