"""The label of a unit's input, for its plug: which voltage it is for, and no other.

A plug that fits more outlets than the unit can stand does not say so. Much equipment dies of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from harness.errors import RecordError
from harness.quantity import format_quantity
from harness.record.csv_text import printable
from harness.report.label import require_release
from harness.report.lettering import BAR_MM, EDGE_MM, REHEARSAL_BAR, WIDTH_MM, ems, sheet
from harness.report.svg import text

#: White between the edge and the frame, and within the frame.
_RIM_MM, _INSIDE_MM = 0.6, 2.2

_ROOM = WIDTH_MM - 2 * EDGE_MM
#: Height of the first line: it is read at arm's length (common practice: 3 mm a metre, and more).
_LARGE, _MIDDLE, _SMALL = 9.5, 4.2, 2.4
_CAUTION = "ANY OTHER SUPPLY CAN DESTROY IT"


def draw_input_label(facts: Mapping[str, Any], *, rehearsal: bool = False) -> str:
    """Draw the label as an ``svg`` element in millimetres; all text in it is escaped.

    ``facts`` is what a whole record's ``run.json`` says; its nameplate gives the figures. What is
    too long is written smaller, never cut off.

    Raises:
        UsageError: The run releases no unit.
        RecordError: The record has no input of a nameplate.
    """
    require_release(facts, rehearsal=rehearsal)
    first, second = input_words(facts)
    tested = str(facts["started_utc"])[:10]
    serial = printable(str(facts["serial"]))
    lines = [
        (_LARGE, ' font-weight="bold"', first),
        (_MIDDLE, ' font-weight="bold"', second),
        (_MIDDLE, "", _CAUTION),
        (_SMALL, "", f"SN {serial}, {tested}"),
    ]
    top, parts = (BAR_MM, [REHEARSAL_BAR]) if facts["rehearsal"] else (0.0, [])
    y = top + _RIM_MM + _INSIDE_MM - 1.0  # capitals do not fill their height
    for high, weight, words in lines:
        size = min(high, _ROOM / ems(words))
        y += size
        look = f'text-anchor="middle" font-size="{size:.3g}"{weight}'
        parts.append(text(WIDTH_MM / 2, y, words, look))
        y += 0.35 * _SMALL
    high = y + _INSIDE_MM - top - _RIM_MM
    edge = f'x="{_RIM_MM}" y="{top + _RIM_MM:g}" width="{WIDTH_MM - 2 * _RIM_MM:g}"'
    frame = 'fill="none" stroke="#000" stroke-width="0.7" rx="1.5"'
    parts.append(f'<rect {edge} height="{high:.2f}" {frame}/>')
    return sheet(top + high + 2 * _RIM_MM, parts)


def input_words(facts: Mapping[str, Any]) -> tuple[str, str]:
    """Return what the input may be: the voltage, and in a second line what else matters.

    Raises:
        RecordError: The record has no input of a nameplate.
    """
    unit = facts.get("unit")
    line = unit.get("input") if isinstance(unit, Mapping) else None
    try:
        high_v = float(line["nominal_v"])  # type: ignore[index]
        low_v = float(line.get("low_nominal_v", high_v))  # type: ignore[union-attr]
        current = format_quantity(float(line["current_a"]), "A")  # type: ignore[index]
        kind = str(line["kind"])  # type: ignore[index]
        several = [float(each) for each in line.get("frequency_hz") or ()]  # type: ignore[union-attr]
    except (TypeError, KeyError, ValueError) as error:
        raise RecordError(
            "the record has no nameplate, so nobody knows what the input may be",
            where=str(facts["run_id"]),
            remedy="see 'softwake results verify'",
        ) from error
    ends_v = (high_v,) if low_v == high_v else (low_v, high_v)
    voltage = " TO ".join(format_quantity(end_v, "V") for end_v in ends_v)
    if kind == "dc":
        return f"{voltage} DC ONLY", f"{current}, MIND THE POLARITY"
    frequencies = "/".join(f"{each:g}" for each in sorted(filter(math.isfinite, several)))
    return f"{voltage} AC ONLY", f"{frequencies} Hz, {current}"
