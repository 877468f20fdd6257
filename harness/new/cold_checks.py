"""Cold checks of a first profile, from the assessment of a unit file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

from harness.unit.assessment import Assessment, ColdCheck

#: Where the meter stands for a kind of part, and for which a profile has a place of its own.
_PLACES = {"fuse": "fuse", "inrush-limiter": "limiter"}
#: How far from nothing the bulk capacitor may be: more spoils what an ohmmeter reads next.
#: Source: common practice.
_EMPTY_V = 1.0


def cold_checks(assessment: Assessment) -> Iterator[Mapping[str, Any]]:
    """Yield what a profile asks or measures before power, in the order of doing.

    It is what the assessment names for the unit as a whole and for each suspect part. A check has
    ``name``, ``measure``, what a ``sound`` one gives, and ``ask``, ``across``, ``unit``, ``low``
    and ``high`` where it has them, else None.
    """
    kinds = {part.name: part.kind for part in assessment.parts}
    counted = Counter(kinds.values())
    names: Counter[str] = Counter()
    for check in assessment.checks:
        if check.part and not check.suspect:
            continue
        kind = kinds.get(check.part, "")
        draft = _of_unit(check) if not check.part else None
        if draft is None:
            place = _PLACES.get(kind) if counted[kind] == 1 else None
            draft = _of_part(check, place)
        names[draft["name"]] += 1
        if names[draft["name"]] > 1:
            draft["name"] += f" ({names[draft['name']]})"
        yield draft


def _of_unit(check: ColdCheck) -> dict[str, Any] | None:
    """Return a check of the unit as a whole that a meter makes; None where a person makes it."""
    sound = f"A sound unit: {check.expected}."
    if check.unit == "V":
        return _draft(
            "bulk capacitor is empty",
            "meter.voltage_dc",
            sound,
            across="bulk",
            unit="V",
            low=-_EMPTY_V,
            high=_EMPTY_V,
        )
    if check.unit == "ohm":
        return _draft(
            "input is no short",
            "meter.resistance",
            sound,
            across="input",
            unit="ohm",
            low=check.low,
            high=check.high,
        )
    return None


def _of_part(check: ColdCheck, place: str | None) -> dict[str, Any]:
    what, sound = check.part or "Unit", f"A sound one: {check.expected}."
    name = f"{what} is sound" if check.part else _name_of_unit(check.measure)
    figure = check.low is not None or check.high is not None
    if figure and place and check.unit == "ohm":
        return _draft(
            name,
            "meter.resistance",
            sound,
            across=place,
            unit="ohm",
            low=check.low,
            high=check.high,
        )
    if figure:
        return _draft(
            name,
            "operator.value",
            sound,
            ask=f"{what}: {check.measure}",
            unit=check.unit,
            low=check.low,
            high=check.high,
        )
    return _draft(
        name, "operator.yes_no", sound, ask=f"{what}: {check.measure}. Is it so: {check.expected}?"
    )


def _name_of_unit(measure: str) -> str:
    """Return a short name of a check of the unit as a whole."""
    if measure.startswith("resistance at the input"):
        return "input is no short"
    sign, _, rest = measure.partition(": ")
    return sign if rest else "no damage to be seen"


def _draft(name: str, measure: str, sound: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "measure": measure,
        "sound": sound,
        **dict.fromkeys(("ask", "across", "unit", "low", "high")),
        **more,
    }
