"""A check as a gauge: where the limits are, where the value lies, how far it can be trusted.

The strip is dark where a value is accepted, light in the guard band, and a bare line outside the
limits. The value is a diamond on a bar from value less U to value plus U. What lies far off the
strip is an arrow at its end. Every mark carries its own look: not every program that prints pages
lets a page's style sheet into its pictures.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from harness.quantity import format_quantity
from harness.record.sink import CheckRow
from harness.report.svg import escaped, text

_WIDTH, _HEIGHT = 250.0, 39.0
_LEFT, _RIGHT = 10.0, 240.0
_STRIP, _THICK = 13.0, 7.0
_MIDDLE = _STRIP + _THICK / 2
_LETTER = 5.8

_INK = "#18232f"
_SOFT = "#46525d"
_LOOK = {
    "reach": 'stroke="#9aa5ae" stroke-width=".8"',
    "guard": 'fill="#d9e2e6"',
    "accept": 'fill="#9fb9c4"',
    "limit": f'stroke="{_INK}" stroke-width="1.4"',
    "spread": f'fill="none" stroke="{_INK}" stroke-width="1.5"',
    "pass": 'fill="#1d6b43" stroke="#fff" stroke-width=".7"',
    "fail": 'fill="#a8261d" stroke="#fff" stroke-width=".7"',
    "undecided": 'fill="#8a5a00" stroke="#fff" stroke-width=".7"',
}
_FONT = 'font-family="Noto Sans, Arial, Helvetica, sans-serif" font-size="11"'

#: A value further off than this many spans of the limits is an arrow, so that the limits stay
#: apart on the strip.
_FAR = 1.5


class _Scale(NamedTuple):
    low: float
    high: float

    def at(self, value: float) -> float:
        """Place of a value on the page, held to the strip."""
        place = (value - self.low) / (self.high - self.low)
        return _LEFT + min(max(place, 0.0), 1.0) * (_RIGHT - _LEFT)


def finite_limits(row: CheckRow) -> tuple[float | None, float | None]:
    """Return lower and upper limit of a check; None for one that is none, or no finite number."""
    low, high = (
        limit if limit is not None and math.isfinite(limit) else None
        for limit in (row.low, row.high)
    )
    return low, high


def draw_limit_gauge(row: CheckRow) -> str:
    """Draw a check as an ``svg`` element, all text in it escaped.

    It is empty where there is no value or no limit (None or not finite), or the figures are too
    large to be drawn.
    """
    given = finite_limits(row)
    if not math.isfinite(row.value) or given == (None, None):
        return ""
    low = -math.inf if given[0] is None else given[0]
    high = math.inf if given[1] is None else given[1]
    expanded = max(row.uncertainty, 0.0) if math.isfinite(row.uncertainty) else 0.0
    scale = _scale(row.value, expanded, low, high)
    if not (math.isfinite(scale.high - scale.low) and scale.high > scale.low):
        return ""
    size, label = f"0 0 {_WIDTH:g} {_HEIGHT:g}", escaped(f"{row.check}: {row.verdict}")
    return "\n".join(
        [
            f'<svg class="ruler" viewBox="{size}" role="img" aria-label="{label}" {_FONT}>',
            _path("reach", f"M{_LEFT:g} {_MIDDLE:g}H{_RIGHT:g}"),
            *_zones(scale, low, high, expanded if row.rule == "guarded" else 0.0),
            *_limits(scale, low, high, row.unit),
            *_value(scale, row.value, expanded, row.verdict),
            "</svg>",
        ]
    )


def _scale(value: float, expanded: float, low: float, high: float) -> _Scale:
    if low > -math.inf and high < math.inf:
        span = (high - low) or max(abs(high) / 10, 4 * expanded, 1e-12)
        begin, end = low - span / 2, high + span / 2
        if low - _FAR * span <= value <= high + _FAR * span:
            begin = min(begin, value - expanded - span / 6)
            end = max(end, value + expanded + span / 6)
        return _Scale(begin, end)
    limit = high if math.isinf(low) else low
    if limit == high > 0 and value >= 0:  # from zero, where the quantity begins
        near = value <= (1 + 2 * _FAR) * limit
        return _Scale(0.0, max(1.3 * limit, (value + expanded) * 1.1 if near else 0.0))
    span = max(abs(limit - value), 4 * expanded, abs(limit) / 50, 1e-12)
    return _Scale(
        min(limit, value - expanded) - span * 0.35, max(limit, value + expanded) + span * 0.35
    )


def _zones(scale: _Scale, low: float, high: float, guard: float) -> Iterator[str]:
    """Yield a strip of what conforms, and within it one of what is accepted."""
    yield _bar("guard", scale.at(low), scale.at(high))
    begin, end = max(low + guard, scale.low), min(high - guard, scale.high)
    if begin < end:
        yield _bar("accept", scale.at(begin), scale.at(end))


def _bar(style: str, begin: float, end: float) -> str:
    return (
        f'<rect class="{style}" x="{begin:.1f}" y="{_STRIP:g}" '
        f'width="{max(end - begin, 0.4):.1f}" height="{_THICK:g}" {_LOOK[style]}/>'
    )


def _limits(scale: _Scale, low: float, high: float, unit: str) -> Iterator[str]:
    limits = filter(math.isfinite, (low, high))
    shown = [(scale.at(limit), format_quantity(limit, unit)) for limit in limits]
    room = _LETTER * sum(len(words) for _, words in shown) / 2 + 8
    beside = len(shown) == 2 and shown[1][0] - shown[0][0] < room
    # two that would run into each other stand side by side, away from each other
    anchors = ("end", "start") if beside else ("middle", "middle")
    for (x, words), anchor in zip(shown, anchors, strict=False):
        yield _path("limit", f"M{x:.1f} {_STRIP - 5:g}V{_STRIP + _THICK + 5:g}")
        half = _LETTER * len(words) / 2 if anchor == "middle" else 0.0
        held = min(max(x, half + 1), _WIDTH - half - 1)
        look = f'class="mark" text-anchor="{anchor}" fill="{_SOFT}"'
        yield text(held, _HEIGHT - 3, words, look)


def _value(scale: _Scale, value: float, expanded: float, verdict: str) -> Iterator[str]:
    # The word goes into a class name, so it must be one of the three there are.
    style = verdict if verdict in {"pass", "fail", "undecided"} else "undecided"
    if value > scale.high or value < scale.low:
        out = 1.0 if value > scale.high else -1.0
        tip = (_RIGHT if out > 0 else _LEFT) + 7 * out
        yield _path(style, f"M{tip:g} {_MIDDLE:g}l{-11 * out:g} -6v12z", f"at {style}")
        return
    if expanded:
        begin, end = scale.at(value - expanded), scale.at(value + expanded)
        caps = "".join(f"M{cap:.1f} {_MIDDLE - 5:g}v10" for cap in (begin, end))
        yield _path("spread", f"M{begin:.1f} {_MIDDLE:g}H{end:.1f}{caps}")
    diamond = f"M{scale.at(value):.1f} {_MIDDLE - 5.5:g}l5 5.5-5 5.5-5-5.5z"
    yield _path(style, diamond, f"at {style}")


def _path(style: str, strokes: str, names: str = "") -> str:
    return f'<path class="{names or style}" d="{strokes}" {_LOOK[style]}/>'
