"""The picture of a campaign as one SVG file: how each class ended, and how severity decides."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from harness.qualify.rates import ClassRates, Rates
from harness.qualify.unit_result import HEALTHY, End, UnitResult
from harness.quantity import format_quantity
from harness.rehearse.faults import FAULTS

_WIDTH, _LEFT, _RIGHT = 960.0, 220.0, 800.0
_BAR, _STEP, _HEAD = 14.0, 22.0, 64.0
_BINS = 40

#: Dark to light in print as well: released stands out, refused hardly occurs.
_COLOURS = {
    End.RELEASED: "#2a7f3f",
    End.UNDECIDED: "#e0b23c",
    End.REJECTED: "#c8642d",
    End.TRIPPED: "#8c2f39",
    End.REFUSED: "#77808a",
}


def draw_campaign(title: str, rates: Rates, rows: Sequence[UnitResult]) -> str:
    """Return an SVG document, with the title of the profile.

    The upper part has a bar for each class, divided by how its units ended, with how many were
    released and the upper 95 % bound of their share. The lower part shows, for each fault with a
    severity, the share that was released and not released, from mild to severe; where some units
    are clearly faulty the latter is dark, and white where no unit was.
    """
    sums = (rates.clear, rates.faulty) if rates.faulty.units else ()
    classes = (rates.healthy, *rates.faults, *rates.border, *sums)
    kinds = {row.kind for row in rows}
    graded = [name for name, fault in FAULTS.items() if fault.severity and name in kinds]
    middle = _HEAD + len(classes) * _STEP + 40
    height = middle + len(graded) * (_STEP + 12) + 40
    size = f'viewBox="0 0 {_WIDTH:g} {height:g}" width="{_WIDTH:g}" height="{height:g}"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-family="sans-serif">',
        f'<rect width="{_WIDTH:g}" height="{height:g}" fill="white"/>',
        _text(20, 22, f"{title}: {len(rows)} simulated units", size=14),
    ]
    for place, (end, colour) in enumerate(_COLOURS.items()):
        x = _LEFT + place * 110
        parts.append(f'<rect x="{x:g}" y="36" width="12" height="12" fill="{colour}"/>')
        parts.append(_text(x + 17, 46, end.value))
    parts.append(_text(_RIGHT + 6, 46, "95 % bound, two-sided", size=9))
    for place, one in enumerate(classes):
        parts += _bar(one, _HEAD + place * _STEP, marginal=one in rates.border)
    if graded:
        parts.append(
            _text(20, middle - 8, "Share released (green) and not released, over severity", size=12)
        )
    for place, kind in enumerate(graded):
        units = [row for row in rows if row.kind == kind]
        parts += _strip(kind, units, middle + 8 + place * (_STEP + 12))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _bar(one: ClassRates, y: float, *, marginal: bool) -> Iterable[str]:
    name = f"{one.kind} (marginal)" if marginal else one.kind
    yield _text(_LEFT - 8, y + 11, name, anchor="end")
    x = _LEFT
    for end, colour in _COLOURS.items():
        width = (_RIGHT - _LEFT) * one.ends[end].count / one.units if one.units else 0.0
        if width:
            yield (
                f'<rect x="{x:.2f}" y="{y:g}" width="{width:.2f}" height="{_BAR:g}" '
                f'fill="{colour}"><title>{end.value}: {one.ends[end].count} of {one.units}'
                "</title></rect>"
            )
        x += width
    healthy = one.kind == HEALTHY
    missed = one.not_released if healthy else one.released
    most = format_quantity(missed.high_frac, "%", 2)
    told = "not released" if healthy else "released"
    yield _text(_RIGHT + 6, y + 11, f"{missed.count} of {missed.total} {told}, ≤ {most}", size=9)


def _strip(kind: str, units: Sequence[UnitResult], y: float) -> Iterable[str]:
    severity = FAULTS[kind].severity
    assert severity is not None
    yield _text(_LEFT - 8, y + 11, kind, anchor="end")
    bins: dict[int, list[UnitResult]] = {}
    for row in units:
        place = int(severity.place_of(row.severity) * _BINS)
        bins.setdefault(max(0, min(place, _BINS - 1)), []).append(row)
    width = (_RIGHT - _LEFT) / _BINS
    for number, inside in sorted(bins.items()):
        held = sum(row.end is not End.RELEASED for row in inside) / len(inside)
        clear = any(row.clear for row in inside)
        colour = _COLOURS[End.TRIPPED] if clear else _COLOURS[End.REFUSED]
        yield (
            f'<rect x="{_LEFT + number * width:.2f}" y="{y + _BAR * (1 - held):.2f}" '
            f'width="{width:.2f}" height="{_BAR * held:.2f}" fill="{colour}"/>'
        )
        if held < 1.0:  # what is released is drawn too: white is where no unit was
            yield (
                f'<rect x="{_LEFT + number * width:.2f}" y="{y:.2f}" width="{width:.2f}" '
                f'height="{_BAR * (1 - held):.2f}" fill="{_COLOURS[End.RELEASED]}"/>'
            )
    yield (
        f'<rect x="{_LEFT:g}" y="{y:g}" width="{_RIGHT - _LEFT:g}" height="{_BAR:g}" '
        'fill="none" stroke="#999" stroke-width="0.5"/>'
    )
    mild, _, severe = (format_quantity(one, severity.unit) for one in severity.levels)
    yield _text(_LEFT, y + _BAR + 11, mild, size=9)
    yield _text(_RIGHT, y + _BAR + 11, severe, anchor="end", size=9)
    told = f"{severity.what}; grey: none clearly faulty"
    yield _text(0.5 * (_LEFT + _RIGHT), y + _BAR + 11, told, anchor="middle", size=9)


def _text(x: float, y: float, text: str, *, anchor: str = "start", size: int = 11) -> str:
    return (
        f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size}">{escape(text)}</text>'
    )
