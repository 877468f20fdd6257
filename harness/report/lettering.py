"""Lettering of labels: lines that fit, and the code that a reader takes in."""

from __future__ import annotations

import itertools

from harness.record.csv_text import printable

#: Width of common label tape.
WIDTH_MM = 62.0
#: Distance from the edge of a label to what is on it.
EDGE_MM = 2.5
FONT = 'font-family="Label Sans, Arial, Helvetica, sans-serif"'
#: Height of the bar across a rehearsal's label.
BAR_MM = 8.5
#: The bar that tells a label of a rehearsal from a real one.
REHEARSAL_BAR = (
    f'<rect width="{WIDTH_MM:g}" height="{BAR_MM:g}"/>'
    f'<text x="{WIDTH_MM / 2:g}" y="6.3" text-anchor="middle" font-size="6" font-weight="bold" '
    'letter-spacing="1.4" fill="#fff">REHEARSAL</text>'
)

#: Modules left white around the code (ISO/IEC 18004).
_QUIET = 4


def sheet(height_mm: float, parts: list[str]) -> str:
    """Return a label as an ``svg`` element in millimetres, white where nothing is on it."""
    size = f'width="{WIDTH_MM:g}mm" height="{height_mm:.4g}mm"'
    box = f'viewBox="0 0 {WIDTH_MM:g} {height_mm:.4g}"'
    begin = f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box} {FONT}>'
    ground = f'<rect width="{WIDTH_MM:g}" height="{height_mm:.4g}" fill="#fff"/>'
    return "\n".join([begin, ground, *parts, "</svg>"])


def qr_code(content: str, x_mm: float, y_mm: float, size_mm: float) -> str:
    """Draw a QR code (ISO/IEC 18004), each row of a run of dark modules one stroke."""
    import segno

    matrix = segno.make(content, error="m", micro=False).matrix
    strokes = ""
    for row, line in enumerate(matrix):
        column = 0
        for dark, modules in itertools.groupby(line):
            width = len(list(modules))
            strokes += f"M{column} {row}h{width}v1h-{width}z" if dark else ""
            column += width
    module = size_mm / (len(matrix) + 2 * _QUIET)
    place = f"translate({x_mm:g} {y_mm:g}) scale({module:.6f}) translate({_QUIET} {_QUIET})"
    return f'<path transform="{place}" shape-rendering="crispEdges" d="{strokes}"/>'


def fitted(words: str, size_mm: float, most: int, wide_mm: float) -> tuple[float, list[str]]:
    """Break text into at most ``most`` lines that fit, in letters no larger than ``size_mm``.

    Nothing is cut off: what does not fit is written smaller.
    """
    shown = printable(words)
    while len(lines := _lines(shown, wide_mm / size_mm)) > most:
        size_mm *= 0.95
    return size_mm, lines


def _lines(words: str, room_ems: float) -> list[str]:
    """Break text at blanks where it has any, else where a line is full."""
    lines: list[str] = []
    rest = words.strip()
    while rest:
        end = next((n for n in range(2, len(rest) + 1) if ems(rest[:n]) > room_ems), len(rest) + 1)
        end -= 1
        if end < len(rest) and (space := rest.rfind(" ", 0, end + 1)) > 0:
            end = space
        lines.append(rest[:end].rstrip())
        rest = rest[end:].strip()
    return lines


def ems(words: str) -> float:
    """Width of text over its size, a little more than sans-serif letters need (common practice)."""
    return sum(
        0.3 if letter in " .,:;'|ijlI-" else 0.58 if letter.islower() or letter.isdigit() else 0.78
        for letter in words
    ) + 0.35 * sum(letter in "mwMW@%" for letter in words)
