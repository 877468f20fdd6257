"""The label of a released unit: 62 mm wide, with a QR code of the run and its seal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from harness.errors import UsageError
from harness.report.lettering import (
    BAR_MM,
    EDGE_MM,
    REHEARSAL_BAR,
    WIDTH_MM,
    fitted,
    qr_code,
    sheet,
)
from harness.report.svg import text
from harness.report.wording import is_pre_check, safety_text, verdict_words

_CODE = 26.0
#: Lines that one fact may take; beyond, its letters become smaller.
_MOST_LINES = 3
#: Where the text begins, right of the code, and the room it has there.
_TEXT = EDGE_MM + _CODE
_ROOM = WIDTH_MM - _TEXT - EDGE_MM

_FOOT = "States what was tested and when; no approval. Local codes come first."


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
    a line to fill it in. What is too long takes more lines and more tape, or is written smaller; it
    is never cut off.

    Raises:
        UsageError: The run releases no unit.
    """
    require_release(facts, rehearsal=rehearsal)
    safety = safety_text(facts, short=True)
    due = next_due.isoformat() if next_due else "........."
    tested = str(facts["started_utc"])[:10]
    bold = ' font-weight="bold"'
    lines = [
        (2.6, "", facts["title"]),
        (3.2, bold, f"SN {facts['serial']}"),
        (2.2, "", facts["bench"].get("name") or ""),
        (2.2, "", f"tested {tested}, {facts['operator'] or '.........'}"),
        (2.2, "", f"next test due {due}"),
    ]
    top, parts = (BAR_MM, [REHEARSAL_BAR]) if facts["rehearsal"] else (0.0, [])
    if not facts["rehearsal"]:
        lines = [(4.6, bold, "RELEASED"), (2.2, "", "after first power"), *lines]
    parts.append(qr_code(code_text(facts), EDGE_MM, top + EDGE_MM, _CODE))
    y = top + EDGE_MM + 1.0
    for high, weight, words in lines:
        size, wrapped = fitted(str(words), high, _MOST_LINES, _ROOM)
        for line in wrapped:
            y += size
            parts.append(text(_TEXT, y, line, f'font-size="{size:.3g}"{weight}'))
            y += size * 0.2
        y += 0.4
    y = max(y, top + EDGE_MM + _CODE)
    foot = [(1.9, f"safety tests: {safety}")] if safety else []
    for high, words in (*foot, (2.1, str(facts["run_id"])), (1.55, _FOOT)):
        size, wrapped = fitted(words, high, _MOST_LINES, WIDTH_MM - 2 * EDGE_MM)
        for line in wrapped:
            y += size
            parts.append(text(EDGE_MM, y, line, f'font-size="{size:.3g}"'))
            y += size * 0.3
    return sheet(y + 0.5 * EDGE_MM, parts)


def require_release(facts: Mapping[str, Any], *, rehearsal: bool) -> None:
    """Refuse a label to a unit that is not released, and a rehearsal's unless it is asked for.

    Raises:
        UsageError: With why, and what helps.
    """
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
