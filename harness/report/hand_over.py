"""The page that goes with a unit when it is handed back: one sheet, for whoever uses it.

What failed, what was replaced, what was measured and what was not. The test report has the rest.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from harness.errors import RecordError
from harness.record.sink import CheckRow
from harness.record.tables import Record
from harness.report.input_label import input_words
from harness.report.page import check_rows
from harness.report.template import template
from harness.report.wording import YES_NO, headline, safety_text, verdict_mark

#: Most checks on the sheet; the test report has all of them.
_MOST_CHECKS = 10

#: What nobody has seen where a profile has no step of a kind.
_UNSEEN = {
    "cold": "Nothing was measured before power.",
    "line": "It was not tried at the ends of its line voltage.",
    "load": "No load was put on its output.",
    "soak": "It was not left on for longer than each step took.",
    "discharge": "Nobody timed how fast its stored charge drains.",
}
_NO_OUTPUT = "It has no output to measure: it was judged by what it draws."
_NEVER = (
    "Nothing was tested but what the test report lists: neither interference, damp, shock nor "
    "temperatures other than the workshop's."
)


def hand_over_html(
    record: Record, *, next_due: dt.date | None = None, contact: str | None = None
) -> bytes:
    """Return the page of a whole record as UTF-8 HTML; all text from outside is escaped.

    ``contact`` is whom to ask where the unit file names nobody. A unit that is not released is
    handed back, too: then the page says so first.

    Raises:
        RecordError: The record is not whole, or has no nameplate.
    """
    if not record.whole:
        raise RecordError(
            f"the record is not whole, so nothing is handed over by it: {record.problems[0]}",
            where=str(record.folder),
            remedy="see 'softwake results verify'",
        )
    facts = record.run
    story = facts.get("unit_file")
    story = story if isinstance(story, Mapping) else {}
    told = story.get("hand_over")
    told = told if isinstance(told, Mapping) else {}
    rows = check_rows(record)
    word, beneath = headline(facts)
    page = template("hand_over.html.j2").render(
        facts=facts,
        story=story,
        told=told,
        word=word,
        beneath=beneath,
        mark=verdict_mark(facts),
        input=input_words(facts),
        checks=_closest(rows),
        passed=sum(row.verdict == "pass" for row in rows),
        judged=len(rows),
        untested=[*_untested(facts, rows)],
        safety=safety_text(facts),
        next_due=next_due.isoformat() if next_due else None,
        contact=told.get("contact") or contact,
    )
    return page.encode(errors="backslashreplace")


def _closest(rows: list[CheckRow]) -> list[CheckRow]:
    """Return measured checks, of each name the one nearest to its limits, in their order."""
    nearest: dict[str, CheckRow] = {}
    for row in rows:
        name = row.check.rpartition(" at ")[0] or row.check
        before = nearest.get(name)
        if row.quantity != YES_NO and (before is None or _room(row) < _room(before)):
            nearest[name] = row
    chosen = sorted(nearest.values(), key=_room)[:_MOST_CHECKS]
    return [row for row in rows if row in chosen]


def _room(row: CheckRow) -> tuple[bool, float]:
    """Order checks: what did not pass, then by the share of the value that is left to a limit."""
    size = max(abs(row.low or 0.0), abs(row.high or 0.0)) or 1.0
    return row.verdict == "pass", row.margin / size


def _untested(facts: Mapping[str, Any], rows: list[CheckRow]) -> Iterator[str]:
    """Yield what was not tested, in sentences."""
    unseen = {**_UNSEEN, "load": _UNSEEN["load"] if _has_output(facts) else _NO_OUTPUT}
    yield from (text for kind, text in unseen.items() if kind not in _kinds(facts))
    undecided = [row.check for row in rows if row.verdict == "undecided"]
    if undecided:
        yield f"Undecided: {', '.join(undecided)}."
    safety = facts.get("safety_tests")
    safety = safety if isinstance(safety, Mapping) else {}
    if safety.get("missing"):
        where = safety.get("reference")
        beside = f"they are in {where}" if where else "no record of them is named"
        yield f"The safety tests after repair are not part of this record: {beside}."
    yield _NEVER


def _kinds(facts: Mapping[str, Any]) -> set[str]:
    """Return the kinds of step of a record's profile; all of them where it cannot be read."""
    profile = facts.get("profile")
    try:
        steps = tomllib.loads(profile["text"])["steps"]  # type: ignore[index]
        return {str(step["kind"]) for step in steps}
    except (TypeError, KeyError, ValueError):
        return set(_UNSEEN)


def _has_output(facts: Mapping[str, Any]) -> bool:
    """Whether the nameplate of a record's profile has an output; so where it cannot be read."""
    profile = facts.get("profile")
    try:
        return bool(tomllib.loads(profile["text"])["unit"].get("output"))  # type: ignore[index]
    except (TypeError, KeyError, ValueError, AttributeError):
        return True
