"""What can be read of one step of a profile, right or wrong, for the rules that join its parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.files.field_types import Table
from harness.files.toml_positions import KeyPath
from harness.profile.check import Check
from harness.profile.level import LoadMode, LoadPoint
from harness.profile.measures import SETTINGS, Situation
from harness.profile.step import Place
from harness.profile.steps import STEP_KINDS
from harness.quantity import QuantityError, parse_quantity

#: Rounding of decimal fractions is no mistake: 24 V and 10 % make 26.400000000000002 V.
ROUNDING = 1e-9

#: Key of the load points by the load's mode.
POINT_KEYS: Mapping[LoadMode, str] = {
    "current": "currents",
    "resistance": "resistances",
    "power": "powers",
}

_TableT = TypeVar("_TableT", bound=Table)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPart:
    """What can be read of one step; a value is None where it is left out or wrong.

    Attributes:
        path: Where it stands.
        kind: Its kind as written, or empty.
        raw: The step as it stands in the file.
        mode: What its load holds constant.
        points: Its load points.
        checks: Its checks by position, those that are wrong left out.
    """

    path: KeyPath
    kind: str
    raw: Mapping[str, Any]
    mode: LoadMode | None
    points: tuple[LoadPoint, ...] | None
    checks: Mapping[int, Check]

    def quantity(self, key: str, unit: str) -> float | None:
        """Return what stands at a key, or None where there is none to read."""
        return quantity(self.raw.get(key), unit)

    def quantities(self, key: str, unit: str) -> tuple[float, ...] | None:
        """Return a list of quantities, or None where any of them cannot be read."""
        return _quantities(self.raw.get(key), unit)

    @property
    def place(self) -> Place | None:
        """Where it stands among the others; None where there is no such kind."""
        step = STEP_KINDS.get(self.kind)
        return None if step is None else step.place

    def offers(self, situation: Situation) -> bool:
        """Whether something can be measured in it; not where there is no such kind."""
        step = STEP_KINDS.get(self.kind)
        return step is not None and situation in step.situations

    @property
    def output(self) -> str | None:
        """Name of the output it loads."""
        name = self.raw.get("output")
        return name if isinstance(name, str) else None

    @property
    def by_hand(self) -> str | None:
        """The load that is connected by hand."""
        load = self.raw.get("load")
        return load if isinstance(load, str) else None


def part_of(model: type[_TableT], raw: object) -> _TableT | None:
    """Return a part that is right in itself, or None."""
    try:
        return model.model_validate(raw)
    except ValidationError:
        return None


def step_part(position: int, raw: object) -> StepPart:
    """Return what can be read of the step at a position."""
    table = raw if isinstance(raw, dict) else {}
    kind, mode = table.get("kind"), table.get("mode", "current")
    known = next((each for each in POINT_KEYS if each == mode), None)
    values = (
        None
        if known is None
        else _quantities(table.get(POINT_KEYS[known]), SETTINGS["load"][known])
    )
    listed = table.get("checks")
    checks = {
        number: check
        for number, text in enumerate(listed if isinstance(listed, list) else [])
        if (check := part_of(Check, text)) is not None
    }
    points = None
    if values is not None and known is not None:
        points = tuple(LoadPoint(known, value) for value in values)
    return StepPart(
        path=("steps", position),
        kind=kind if isinstance(kind, str) else "",
        raw=table,
        mode=known,
        points=points,
        checks=checks,
    )


def quantity(raw: object, unit: str) -> float | None:
    """Return a quantity, or None where there is none to read; validation tells why."""
    try:
        return parse_quantity(raw, unit)
    except QuantityError:
        return None


def _quantities(raw: object, unit: str) -> tuple[float, ...] | None:
    read = [quantity(element, unit) for element in raw] if isinstance(raw, list) else []
    values = tuple(value for value in read if value is not None)
    return values if len(values) == len(read) and values else None
