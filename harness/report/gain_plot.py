"""Energy of an AC start against what its capacitor's voltage gained: points, and the straight line.

The weighing sums energy between levels that are held, so what it rests on is a straight line
through nothing, with the capacitance for its slope. How far each level lies from it is drawn
beneath.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from harness.quantity import format_quantity
from harness.record.figures import Figures, Gain
from harness.report.axes import Axis, line, scale_for, style_sheet, ticks, words
from harness.report.drawn_fit import FitPlot
from harness.report.svg import escaped

_WIDTH, _LEFT, _END = 720.0, 52.0, 712.0
_TOP, _HIGH, _GAP, _LOW, _FOOT = 18.0, 132.0, 26.0, 62.0, 34.0
_LEGEND = "half the gain of the bulk capacitor's voltage squared, with what its diodes take, V²"
_KEY = (
    "Points: energy taken since the lowest level, each with U, about 95 %. Line: what the measured "
    "capacitance takes; it is that of the last point, and those before show whether all agree."
)
#: Room beyond the last point, half a bar's end, and the least distance of two levels' names.
_BEYOND, _CAP, _NAME = 1.06, 3.0, 44.0
#: Nearer than this share of its uncertainty a point is on the line.
_TRIFLE_FRAC = 1e-3
_STYLE = "trace-supply-power"


def gain_plot(told: Figures) -> FitPlot | None:
    """Draw the gains of a start; None where fewer than two were weighed, or they give no figure."""
    slope = next((f.value for f in told.figures if f.measure == "start.bulk_capacitance"), np.nan)
    gains = told.gains
    if len(gains) < 2 or not slope > 0.0 or not all(gain.square_v2 > 0.0 for gain in gains):
        return None
    bottom = _TOP + _HIGH
    x = Axis(0.0, _BEYOND * max(gain.square_v2 for gain in gains), _LEFT, _END)
    size = f"0 0 {_WIDTH:g} {bottom + _GAP + _LOW + _FOOT:g}"
    label = escaped("Energy taken by the start against the gain of voltage squared, and residuals")
    parts = [f'<svg class="plot" viewBox="{size}" role="img" aria-label="{label}">', style_sheet()]
    parts += _energies(gains, slope, x)
    parts += _residuals(gains, slope, x, bottom + _GAP)
    return FitPlot(
        svg="\n".join([*parts, "</svg>"]),
        of=told.of,
        key=_KEY,
        levels=tuple(_sentence(gain, slope) for gain in gains),
    )


def _energies(gains: Sequence[Gain], slope: float, x: Axis) -> Iterator[str]:
    """Draw the energies with the line through nothing; level names stand above their points."""
    most_j = max(slope * x.high, *(gain.energy_j + gain.expanded_j for gain in gains))
    bottom = _TOP + _HIGH
    y = Axis(0.0, 1.1 * most_j, bottom, _TOP)
    yield from _grid("Energy", y, 4)
    yield _path(x, y, ((0.0, 0.0), (x.high, slope * x.high)))
    for gain in gains:
        yield from _point(x, y, gain.square_v2, gain.energy_j, gain.expanded_j)
    places = [(x.at(gain.square_v2), gain) for gain in gains]
    for number, (place, gain) in enumerate(places):
        if number and place - places[number - 1][0] < _NAME:
            continue
        yield words("step", place - 6, y.at(gain.energy_j + gain.expanded_j) - 4, gain.level, "end")


def _residuals(gains: Sequence[Gain], slope: float, x: Axis, top: float) -> Iterator[str]:
    """Draw how far each point lies from the line."""
    away = [(gain, gain.energy_j - slope * gain.square_v2) for gain in gains]
    most_j = max(abs(off_j) + gain.expanded_j for gain, off_j in away) or 1.0
    y = Axis(-1.15 * most_j, 1.15 * most_j, top + _LOW, top)
    yield from _grid("Above the line", y, 5)
    yield _path(x, y, ((0.0, 0.0), (x.high, 0.0)))
    for gain, off_j in away:
        yield from _point(x, y, gain.square_v2, off_j, gain.expanded_j)
    for value in ticks(0.0, x.high, 8):
        place = x.at(value)
        yield line("frame", place, top + _LOW, place, top + _LOW + 4)
        yield words("tick", place, top + _LOW + 15, f"{value:g}", "middle")
    yield words("tick", (_LEFT + _END) / 2, top + _LOW + 29, _LEGEND, "middle")


def _grid(title: str, y: Axis, most: int) -> Iterator[str]:
    """Draw a panel's grid and frame, and name it."""
    scale, prefix = scale_for(max(abs(y.low), abs(y.high)))
    for value in ticks(y.low / scale, y.high / scale, most):
        place = y.at(value * scale)
        yield line("grid", _LEFT, place, _END, place)
        yield words("tick", _LEFT - 6, place + 3.2, f"{value:g}", "end")
    yield words("name", _LEFT, y.end - 5, f"{title}, {prefix}J")
    yield line("frame", _LEFT, y.end, _LEFT, y.start)
    yield line("frame", _LEFT, y.start, _END, y.start)


def _path(x: Axis, y: Axis, corners: Sequence[tuple[float, float]]) -> str:
    (x1, y1), (x2, y2) = [(x.at(first), y.at(second)) for first, second in corners]
    return line(_STYLE, x1, y1, x2, y2)


def _point(x: Axis, y: Axis, at: float, value: float, expanded: float) -> Iterator[str]:
    """Draw a point with a bar of its uncertainty to either side."""
    place = x.at(at)
    ends = [y.at(value + side * expanded) for side in (-1.0, 1.0)]
    corners = ((place, ends[0]), (place, ends[1]))
    for (x1, y1), (x2, y2) in pairwise(corners):
        yield line("bar", x1, y1, x2, y2)
    for end in ends:
        yield line("bar", place - _CAP, end, place + _CAP, end)
    yield f'<circle class="{_STYLE}" cx="{place:.1f}" cy="{y.at(value):.1f}" r="2.6"/>'


def _sentence(gain: Gain, slope: float) -> str:
    """Say of a level what its point shows."""
    off_j = gain.energy_j - slope * gain.square_v2
    side = "above" if off_j >= 0.0 else "below"
    on = abs(off_j) < _TRIFLE_FRAC * gain.expanded_j
    where = "on the line" if on else f"{format_quantity(abs(off_j), 'J', 2)} {side} the line"
    return (
        f"Up to {gain.level}: {format_quantity(gain.energy_j, 'J', 3)} ± "
        f"{format_quantity(gain.expanded_j, 'J', 2)} for {gain.square_v2:.4g} V², {where}."
    )
