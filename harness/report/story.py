"""The part of the report that tells what happened to the unit, and what was replaced.

All of it comes from ``run.json``, where a hand may have changed it: what is of the wrong kind is
left out, never an error.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.unit.parts import shown_figure

__all__ = ["Story", "told_story"]

_STYLES = {
    "within rating": "pass",
    "marginal": "undecided",
    "over-stressed": "fail",
    "destroyed likely": "fail",
    "better": "pass",
    "equivalent": "pass",
    "acceptable with note": "undecided",
    "not acceptable": "fail",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """The story as the report shows it; every field is text, or rows of text.

    Attributes:
        told: What happened, in a sentence or two.
        stresses: One row a stress: part, kind, quantity, rating, at the event, in service, verdict
            and its style, cold check; part and kind empty from a part's second row on.
        replaced: One row a replaced part: part, kind, what is different, verdict and its style.
        open_points: What is still to be done or cleared up.
        assumptions: What was taken for granted.
        photos: Paths of pictures.
        source: The unit file, with its hash.
    """

    told: str
    stresses: tuple[tuple[str, ...], ...]
    replaced: tuple[tuple[str, ...], ...]
    open_points: tuple[str, ...]
    assumptions: tuple[str, ...]
    photos: tuple[str, ...]
    source: str


def told_story(facts: Mapping[str, Any]) -> Story | None:
    """Return the story, or None where no unit file was given."""
    entry = facts.get("unit_file")
    if not isinstance(entry, Mapping):
        return None
    sha256 = entry.get("sha256") or "not given"
    return Story(
        told=_text(entry.get("story")),
        stresses=tuple(row for part in _tables(entry.get("parts")) for row in _stresses(part)),
        replaced=tuple(map(_replaced, _tables(entry.get("replacements")))),
        open_points=_texts(entry.get("open_points")),
        assumptions=_texts(entry.get("assumptions")),
        photos=_texts(entry.get("photos")),
        source=f"{_text(entry.get('source')) or 'unit file'}, SHA-256 {sha256}",
    )


def _stresses(part: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    """Show a part's worst stress, and every other one that is not within its rating."""
    name, kind = _text(part.get("name")), _text(part.get("kind")).replace("-", " ")
    if part.get("replaced") is True:
        kind += ", replaced"
    check = part.get("check")
    told = check if isinstance(check, Mapping) else {}
    cold = ": ".join(filter(None, (_text(told.get("measure")), _text(told.get("expected")))))
    for number, stress in enumerate(_tables(part.get("stresses"))):
        severity = _text(stress.get("severity"))
        if number and severity == "within rating":
            continue
        rating, unit = stress.get("rating"), _text(stress.get("unit"))
        yield (
            *(("", "") if number else (name, kind)),
            _text(stress.get("quantity")),
            _figure(rating, unit),
            _against(stress.get("event"), rating, unit),
            _against(stress.get("service"), rating, unit),
            severity,
            _STYLES.get(severity, ""),
            "" if number else cold,
        )


def _replaced(part: Mapping[str, Any]) -> tuple[str, ...]:
    adequacy = _text(part.get("adequacy"))
    findings = []
    for finding in _tables(part.get("findings")):
        old, new = _text(finding.get("original")), _text(finding.get("fitted"))
        if old != new:
            reason = _text(finding.get("reason"))
            text = f"{_text(finding.get('item'))} {old} → {new}"
            findings.append(f"{text} ({reason})" if reason else text)
    return (
        _text(part.get("name")),
        _text(part.get("kind")).replace("-", " "),
        "; ".join(findings) or "every figure as the original's",
        adequacy,
        _STYLES.get(adequacy, ""),
    )


def _against(stress: object, rating: object, unit: str) -> str:
    """Show a stress, and how many times the rating that is."""
    text = _figure(stress, unit)
    if isinstance(stress, int | float) and isinstance(rating, int | float) and rating > 0:
        ratio = float(stress) / float(rating)
        text += f" ({ratio:.2g}×)" if ratio < 100 else " (over 100×)"
    return text


def _figure(value: object, unit: str) -> str:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return "-"
    number = float(value)
    if not math.isfinite(number):
        return "-"
    return shown_figure(number, unit)


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _texts(value: object) -> tuple[str, ...]:
    return tuple(filter(None, map(_text, value))) if isinstance(value, list) else ()


def _tables(value: object) -> list[Mapping[str, Any]]:
    return [item for item in value if isinstance(item, Mapping)] if isinstance(value, list) else []
