"""What a profile's parts owe each other: rules that no single key can break alone.

Every part that is right in itself is held against the others, so that one wrong key does not hide
the next mistake.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.errors import did_you_mean
from harness.profile.lines import KeyPath
from harness.profile.measures import MEASURES
from harness.profile.mistakes import Slip
from harness.profile.schema import Check, Envelope
from harness.quantity import QuantityError, format_quantity, parse_quantity, shown
from harness.unit.fields import Table
from harness.unit.nameplate import AcInput, Unit

__all__ = ["profile_slips"]

#: Rounding of decimal fractions is no mistake: 24 V and 10 % make 26.400000000000002 V.
_ROUNDING = 1e-9

_KINDS = frozenset({"start", "nominal", "load"})

_TableT = TypeVar("_TableT", bound=Table)


@dataclass(frozen=True, slots=True, kw_only=True)
class _StepPart:
    """What can be read of one step; each value is None where it is left out or wrong.

    Attributes:
        path: Where it stands.
        kind: Its kind as written, or empty.
        last_level_frac: Where a start ends.
        limit_a: Its current limit.
        frequency_hz: Its line frequency.
        output: Name of the output it loads.
        currents_a: Its load points.
        checks: Its checks by position, those that are wrong left out.
    """

    path: KeyPath
    kind: str
    last_level_frac: float | None
    limit_a: float | None
    frequency_hz: float | None
    output: str | None
    currents_a: tuple[float, ...] | None
    checks: Mapping[int, Check]


def profile_slips(data: Mapping[str, Any]) -> Iterator[Slip]:
    """Yield every rule a profile breaks.

    Args:
        data: What stands in the file.
    """
    unit = _part(Unit, data.get("unit"))
    envelope = _part(Envelope, data.get("envelope"))
    steps = [_step_part(i, raw) for i, raw in enumerate(_listed(data.get("steps")))]
    if unit is not None and envelope is not None:
        yield from _envelope_rules(unit, envelope)
    yield from _order_rules(steps)
    for step in steps:
        yield from _check_names(step)
        for position, check in step.checks.items():
            yield from _check_rules((*step.path, "checks", position), check, step, unit)
        if envelope is not None:
            yield from _limit_rules(step, envelope)
        if unit is not None:
            yield from _frequency_rules(step, unit)
        if unit is not None and step.kind == "load":
            yield from _load_rules(step, unit)


def _part(model: type[_TableT], raw: object) -> _TableT | None:
    """Return a part that is right in itself, or None."""
    try:
        return model.model_validate(raw)
    except ValidationError:
        return None


def _step_part(position: int, raw: object) -> _StepPart:
    table = raw if isinstance(raw, dict) else {}
    kind, output = table.get("kind"), table.get("output")
    levels = _quantities(table.get("levels"), "%")
    checks = enumerate(_part(Check, check) for check in _listed(table.get("checks")))
    return _StepPart(
        path=("steps", position),
        kind=kind if isinstance(kind, str) else "",
        last_level_frac=levels[-1] if levels else None,
        limit_a=_quantity(table.get("current_limit"), "A"),
        frequency_hz=_quantity(table.get("frequency"), "Hz"),
        output=output if isinstance(output, str) else None,
        currents_a=_quantities(table.get("currents"), "A"),
        checks={number: check for number, check in checks if check is not None},
    )


def _listed(raw: object) -> list[Any]:
    return raw if isinstance(raw, list) else []


def _quantity(raw: object, unit: str) -> float | None:
    """Return a quantity, or None where there is none to read; validation tells why."""
    try:
        return parse_quantity(raw, unit)
    except QuantityError:
        return None


def _quantities(raw: object, unit: str) -> tuple[float, ...] | None:
    """Return a list of quantities, or None where any of them cannot be read."""
    read = [_quantity(element, unit) for element in _listed(raw)]
    values = tuple(value for value in read if value is not None)
    return values if len(values) == len(read) and values else None


def _volts(value_v: float) -> str:
    return format_quantity(value_v, "V")


def _amps(value_a: float) -> str:
    return format_quantity(value_a, "A")


def _envelope_rules(unit: Unit, envelope: Envelope) -> Iterator[Slip]:
    """Hold the envelope against the nameplate (safety rule 1)."""
    path, given = ("envelope", "voltage"), _volts(envelope.voltage_v)
    nominal, highest = _volts(unit.input.nominal_v), _volts(unit.input.highest_v)
    if envelope.voltage_v > unit.input.highest_v * (1 + _ROUNDING):
        tolerance = format_quantity(unit.input.tolerance_frac, "%")
        yield Slip(
            path,
            f"{given} is outside the nameplate's tolerance: {nominal} and {tolerance} allow "
            f"{highest}",
            f'"{highest}"',
        )
    if envelope.voltage_v < unit.input.nominal_v * (1 - _ROUNDING):
        yield Slip(
            path,
            f"{given} is below the nominal {nominal}: the unit could never be brought up",
            f'"{highest}"',
        )


def _order_rules(steps: list[_StepPart]) -> Iterator[Slip]:
    """Power comes first by a current-limited start, and a load step finds nominal voltage."""
    started, reached_frac = False, 0.0
    for part in steps:
        if part.kind == "start":
            started = True
            reached_frac = 1.0 if part.last_level_frac is None else part.last_level_frac
            continue
        if part.kind in _KINDS and not started:
            yield Slip(
                (*part.path, "kind"),
                f"a {part.kind} step before any start step: power must first come by a "
                "current-limited start",
                '"start"',
            )
            started, reached_frac = True, 1.0  # said once
        elif part.kind == "load" and reached_frac < 1:
            yield Slip(
                (*part.path, "kind"),
                f"the start before it ends at {format_quantity(reached_frac, '%')}: a load step "
                "needs nominal voltage; end the start at 100 %, or put a nominal step between",
                '"nominal"',
            )
        if part.kind == "nominal":
            reached_frac = 1.0


def _limit_rules(part: _StepPart, envelope: Envelope) -> Iterator[Slip]:
    if part.limit_a is not None and part.limit_a > envelope.current_a * (1 + _ROUNDING):
        yield Slip(
            (*part.path, "current_limit"),
            f"{_amps(part.limit_a)} is above the envelope's {_amps(envelope.current_a)}",
            f'"{_amps(envelope.current_a)}"',
        )


def _frequency_rules(part: _StepPart, unit: Unit) -> Iterator[Slip]:
    if part.frequency_hz is None:
        return
    path = (*part.path, "frequency")
    if not isinstance(unit.input, AcInput):
        yield Slip(path, "the unit's input is DC: there is no frequency to set")
        return
    written = format_quantity(part.frequency_hz, "Hz")
    known = [format_quantity(known_hz, "Hz") for known_hz in unit.input.frequency_hz]
    if not any(math.isclose(part.frequency_hz, known_hz) for known_hz in unit.input.frequency_hz):
        yield Slip(
            path,
            f"{written} is none of the unit's: {', '.join(known)}",
            f'"{known[0]}"',
        )


def _load_rules(part: _StepPart, unit: Unit) -> Iterator[Slip]:
    """Hold a load step against the unit's outputs."""
    if not unit.output:
        yield Slip(
            (*part.path, "kind"),
            "a load step, but the unit has no output; name it in [unit]",
            'output = { main = { kind = "dc", nominal = "5 V", current = "2 A" } }',
        )
        return
    name = part.output or next(iter(unit.output))
    if name not in unit.output:
        hint = did_you_mean(name, unit.output) or f"; there are {', '.join(unit.output)}"
        yield Slip(
            (*part.path, "output"),
            f"the unit has no output {shown(name)}{hint}",
            f'"{next(iter(unit.output))}"',
        )
    elif unit.output[name].kind != "dc":
        yield Slip((*part.path, "kind"), f"output {name!r} is AC: a load step loads DC outputs")


def _check_names(part: _StepPart) -> Iterator[Slip]:
    seen: dict[str, int] = {}
    for position, check in part.checks.items():
        if check.name in seen:
            yield Slip(
                (*part.path, "checks", position, "name"),
                f"this step has a check {shown(check.name)} already; every name once",
            )
        seen[check.name] = position


def _check_rules(path: KeyPath, check: Check, part: _StepPart, unit: Unit | None) -> Iterator[Slip]:
    """Hold one check against its step and the unit."""
    measure = MEASURES[check.measure]
    if part.kind in _KINDS and part.kind not in measure.steps:
        kinds = " or ".join(sorted(measure.steps))
        yield Slip(
            (*path, "measure"),
            f"{check.measure} belongs in a {kinds} step, this is a {part.kind} step",
        )
    elif unit is not None and measure.ac_only and unit.input.kind != "ac":
        yield Slip((*path, "measure"), f"{check.measure} means nothing for a DC input")
    if check.at is not None:
        yield from _at_rules((*path, "at"), check, part)
    if part.currents_a is not None and part.kind == "load":
        yield from _point_rules((*path, "measure"), check, part.currents_a)


def _at_rules(path: KeyPath, check: Check, part: _StepPart) -> Iterator[Slip]:
    at_a = check.at
    assert at_a is not None
    if part.kind in _KINDS and part.kind != "load":
        yield Slip(path, f"a {part.kind} step has no load points: leave this key out")
    elif check.measure == "load_regulation":
        yield Slip(path, "load_regulation compares all load points: leave this key out")
    elif part.currents_a is not None and at_a not in part.currents_a:
        points = ", ".join(map(_amps, part.currents_a))
        yield Slip(
            path,
            f"{_amps(at_a)} is none of the step's load points: {points}",
            f'"{_amps(part.currents_a[-1])}"',
        )


def _point_rules(path: KeyPath, check: Check, currents_a: tuple[float, ...]) -> Iterator[Slip]:
    """Refuse figures that the load points cannot give: they would always pass, or never."""
    if check.measure == "load_regulation" and len(set(currents_a)) < 2:
        yield Slip(path, "load_regulation compares load points: the step needs two different ones")
    unloaded = check.at == 0 or (check.at is None and 0 in currents_a)
    if check.measure == "efficiency" and unloaded:
        example = f'at = "{_amps(max(currents_a))}"'
        yield Slip(path, "there is no efficiency at 0 A: say at which load point", example)
