"""What was seen of a unit as a whole: what to look for, and whether a part explains it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.unit.assessment import ColdCheck, PartAssessment, Severity
from harness.unit.operating_conditions import Conditions


def seen(words: Iterable[str], note: str | None) -> str:
    """Return what was seen of a unit or part in a sentence; empty where nothing was."""
    text, said = ", ".join(words), (note or "").rstrip(".")
    if said:
        text = f"{text} ({said})" if text else said
    return f"Seen: {text}." if text else ""


def checks_of_signs(conditions: Conditions, parts: Iterable[PartAssessment]) -> Iterator[ColdCheck]:
    """Yield what each sign that no part explains asks to be looked for."""
    for word in _unexplained(conditions, parts):
        row = conditions.tables.observations.unit[word]
        expected = f"what explains it: {row.tells}"
        yield ColdCheck(measure=f"{word}: {row.look}", expected=expected, suspect=True)


def unexplained(conditions: Conditions, parts: Iterable[PartAssessment]) -> Iterator[str]:
    """Yield the signs that a part has to explain and none does, each in a sentence."""
    for word in _unexplained(conditions, parts):
        row = conditions.tables.observations.unit[word]
        if row.explained_by:
            yield (
                f"{word[0].upper()}{word[1:]}: {row.tells}, and no part in this file explains it. "
                f"Before power: {row.look}. Record what is found under `observed` of the part."
            )


def _unexplained(conditions: Conditions, parts: Iterable[PartAssessment]) -> Iterator[str]:
    if conditions.file.observed_cause is not None:
        return
    observed = {part.name for part in conditions.file.parts if part.observed}
    assessed = tuple(parts)

    def explains(part: PartAssessment, kinds: Iterable[str]) -> bool:
        if "any" in kinds:
            return part.name in observed
        return part.kind in kinds and part.severity is Severity.DESTROYED

    for word in _signs(conditions):
        row = conditions.tables.observations.unit[word]
        if not any(explains(part, row.explained_by) for part in assessed):
            yield word


def _signs(conditions: Conditions) -> Iterator[str]:
    yield from dict.fromkeys(conditions.file.observed)
    if conditions.breaker_tripped and "breaker tripped" not in conditions.file.observed:
        yield "breaker tripped"
