"""The label of a released unit: 62 mm wide, with a QR code of the run and its seal."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Mapping
from typing import Any

from harness.errors import UsageError
from harness.record.csv_text import printable
from harness.report.svg import text
from harness.report.wording import is_pre_check, safety_text, verdict_words

#: Width of common label tape.
WIDTH_MM = 62.0
HEIGHT_MM = 43.0

_EDGE = 2.5
_CODE = 26.0
#: Modules left white around the code (ISO/IEC 18004).
_QUIET = 4
#: Where the text begins, right of the code, and the room it has there.
_TEXT = _EDGE + _CODE
_ROOM = WIDTH_MM - _TEXT - _EDGE

_FONT = 'font-family="Label Sans, Arial, Helvetica, sans-serif"'
_FOOT = "States what was tested and when; no approval. Local codes come first."
#: Height of the bar across a rehearsal's label.
_BAR = 8.5
_MARK = (
    f'<rect width="{WIDTH_MM:g}" height="{_BAR:g}"/>'
    f'<text x="{WIDTH_MM / 2:g}" y="6.3" text-anchor="middle" font-size="6" font-weight="bold" '
    'letter-spacing="1.4" fill="#fff">REHEARSAL</text>'
)


def code_text(facts: Mapping[str, Any]) -> str:
    """Return what the QR code says: the run and the seal of its ``run.json``.

    Whoever has the record can compare: another record, or one that was changed, has another seal.
    """
    return f"softwake {facts['run_id']} sha256 {facts['seal']}"


def draw_label(
    facts: Mapping[str, Any], *, rehearsal: bool = False, next_due: dt.date | None = None
) -> str:
    """Draw the label as an ``svg`` element in millimetres; all text in it is escaped.

    ``facts`` is what a whole record's ``run.json`` says. A rehearsal may have a label where that is
    asked for, with REHEARSAL in a bar across it. Without the date of the unit's next test there is
    a line to fill it in.

    Raises:
        UsageError: The run releases no unit.
    """
    _require_release(facts, rehearsal=rehearsal)
    safety = safety_text(facts, short=True)
    due = next_due.isoformat() if next_due else "........."
    tested = str(facts["started_utc"])[:10]
    bold = ' font-weight="bold"'
    lines = [
        (2.6, "", facts["title"], 1 if safety else 2),  # the room of a line is needed below
        (3.2, bold, f"SN {facts['serial']}", 2),
        (2.2, "", facts["bench"].get("name") or "", 1),
        (2.2, "", f"tested {tested}, {facts['operator'] or '.........'}", 1),
        (2.2, "", f"next test due {due}", 1),
    ]
    top, mark = (_BAR, [_MARK]) if facts["rehearsal"] else (0.0, [])
    if not facts["rehearsal"]:
        lines = [(4.6, bold, "RELEASED", 1), (2.2, "", "after first power", 1), *lines]
    size = f'width="{WIDTH_MM:g}mm" height="{HEIGHT_MM:g}mm"'
    box = f'viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box} {_FONT}>',
        f'<rect width="{WIDTH_MM:g}" height="{HEIGHT_MM:g}" fill="#fff"/>',
        *mark,
        _code(code_text(facts), top + _EDGE),
    ]
    y = top + _EDGE + 1.0
    for high, weight, words, most in lines:
        for line in _wrapped(str(words), high, most):
            y += high
            parts.append(text(_TEXT, y, line, f'font-size="{high:.3g}"{weight}'))
            y += high * 0.2
        y += 0.4
    if safety:
        high = 1.9
        [line] = _wrapped(f"safety tests: {safety}", high, 1, WIDTH_MM - 2 * _EDGE)
        parts.append(text(_EDGE, HEIGHT_MM - 7.1, line, f'font-size="{high:.3g}"'))
    run_id = str(facts["run_id"])
    high = min(2.1, (WIDTH_MM - 2 * _EDGE) / _ems(run_id))
    parts.append(text(_EDGE, HEIGHT_MM - 4.5, run_id, f'font-size="{high:.3g}"'))
    parts.append(text(_EDGE, HEIGHT_MM - 1.9, _FOOT, 'font-size="1.75"'))
    return "\n".join([*parts, "</svg>"])


def _require_release(facts: Mapping[str, Any], *, rehearsal: bool) -> None:
    where = str(facts["run_id"])
    if not facts["released"]:
        raise UsageError(
            f"there is no label for a unit that is not released (outcome {facts['outcome']}, "
            f"{verdict_words(facts)}{', a pre-check' if is_pre_check(facts) else ''})",
            where=where,
            remedy="see 'softwake results show' for what stands in the way",
        )
    if facts["rehearsal"] and not rehearsal:
        raise UsageError(
            "a rehearsal releases no unit, so it gets no label",
            where=where,
            remedy="add --rehearsal for one with REHEARSAL across it, to try a printer",
        )


def _code(content: str, top: float) -> str:
    """Draw a QR code, each row of a run of dark modules one stroke."""
    import segno

    matrix = segno.make(content, error="m", micro=False).matrix
    strokes = ""
    for row, line in enumerate(matrix):
        column = 0
        for dark, modules in itertools.groupby(line):
            width = len(list(modules))
            strokes += f"M{column} {row}h{width}v1h-{width}z" if dark else ""
            column += width
    module = _CODE / (len(matrix) + 2 * _QUIET)
    place = f"translate({_EDGE:g} {top:g}) scale({module:.6f}) translate({_QUIET} {_QUIET})"
    return f'<path transform="{place}" shape-rendering="crispEdges" d="{strokes}"/>'


def _wrapped(words: str, size: float, most: int, wide_mm: float = _ROOM) -> list[str]:
    """Break text into lines that fit, ``most`` of them, the last cut off."""
    room = wide_mm / size
    rest = printable(words)
    lines: list[str] = []
    while rest and len(lines) < most:
        end = next((n for n in range(1, len(rest) + 1) if _ems(rest[:n]) > room), len(rest) + 1) - 1
        if end < len(rest):
            space = rest.rfind(" ", 0, end + 1)
            end = space if space > 0 and len(lines) + 1 < most else end
        lines.append(rest[:end])
        rest = rest[end:].strip()
    if rest:
        lines[-1] = f"{lines[-1][:-2].rstrip()}…"
    return lines


def _ems(words: str) -> float:
    """Width of text over its size, a little more than sans-serif letters need (common practice)."""
    return sum(
        0.3 if letter in " .,:;'|ijlI-" else 0.58 if letter.islower() or letter.isdigit() else 0.78
        for letter in words
    ) + 0.35 * sum(letter in "mwMW@%" for letter in words)
