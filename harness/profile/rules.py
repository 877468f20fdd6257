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
from harness.profile.schema import Check, Envelope, LoadStep, NominalStep, StartStep
from harness.quantity import format_quantity, shown
from harness.unit.fields import Table
from harness.unit.nameplate import AcInput, Unit

__all__ = ["profile_slips"]

#: Rounding of decimal fractions is no mistake: 24 V and 10 % make 26.400000000000002 V.
_ROUNDING = 1e-9

_STEPS: Mapping[str, type[StartStep | NominalStep | LoadStep]] = {
    "start": StartStep,
    "nominal": NominalStep,
    "load": LoadStep,
}

_TableT = TypeVar("_TableT", bound=Table)


@dataclass(frozen=True, slots=True, kw_only=True)
class _StepPart:
    """What is right of one step.

    Attributes:
        path: Where it stands.
        kind: Its kind as written, or empty.
        step: The step, or None where a key of it is wrong.
        checks: Its checks by position, those that are wrong left out.
    """

    path: KeyPath
    kind: str
    step: StartStep | NominalStep | LoadStep | None
    checks: Mapping[int, Check]


def profile_slips(data: Mapping[str, Any]) -> Iterator[Slip]:
    """Yield every rule a profile breaks.

    Args:
        data: What stands in the file.
    """
    unit = _part(Unit, data.get("unit"))
    envelope = _part(Envelope, data.get("envelope"))
    listed = data.get("steps")
    steps = [_step_part(i, raw) for i, raw in enumerate(listed if isinstance(listed, list) else [])]
    if unit is not None and envelope is not None:
        yield from _envelope_rules(unit, envelope)
    yield from _order_rules(steps)
    for step in steps:
        yield from _check_names(step)
        for position, check in step.checks.items():
            yield from _check_rules((*step.path, "checks", position), check, step, unit)
        if step.step is not None and envelope is not None:
            yield from _limit_rules(step.path, step.step, envelope)
        if step.step is not None and unit is not None:
            yield from _frequency_rules(step.path, step.step, unit)
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
    kind = table.get("kind")
    kind = kind if isinstance(kind, str) else ""
    checks = table.get("checks")
    read = enumerate(_part(Check, check) for check in (checks if isinstance(checks, list) else []))
    # Its checks are looked at one by one: a wrong one must not hide the step.
    rest = {key: value for key, value in table.items() if key != "checks"}
    return _StepPart(
        path=("steps", position),
        kind=kind,
        step=_part(_STEPS[kind], rest) if kind in _STEPS else None,
        checks={number: check for number, check in read if check is not None},
    )


def _volts(value_v: float) -> str:
    return format_quantity(value_v, "V")


def _amps(value_a: float) -> str:
    return format_quantity(value_a, "A")


def _envelope_rules(unit: Unit, envelope: Envelope) -> Iterator[Slip]:
    """Hold the envelope against the nameplate (safety rule 1)."""
    nominal_v, highest_v = unit.input.nominal_v, unit.input.highest_v
    path = ("envelope", "voltage")
    if envelope.voltage_v > highest_v * (1 + _ROUNDING):
        yield Slip(
            path,
            f"{_volts(envelope.voltage_v)} is outside the nameplate's tolerance: {_volts(nominal_v)} "
            f"and {format_quantity(unit.input.tolerance_frac, '%')} allow {_volts(highest_v)}",
            f'"{_volts(highest_v)}"',
        )
    if envelope.voltage_v < nominal_v * (1 - _ROUNDING):
        yield Slip(
            path,
            f"{_volts(envelope.voltage_v)} is below the nominal {_volts(nominal_v)}: the unit could "
            "never be brought up",
            f'"{_volts(highest_v)}"',
        )


def _order_rules(steps: list[_StepPart]) -> Iterator[Slip]:
    """Power comes first by a current-limited start, and a load step finds nominal voltage."""
    started, reached_frac = False, 0.0
    for part in steps:
        if part.kind == "start":
            started = True
            levels = part.step.levels_frac if isinstance(part.step, StartStep) else (1.0,)
            reached_frac = levels[-1]
            continue
        if part.kind in _STEPS and not started:
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


def _limit_rules(
    path: KeyPath, step: StartStep | NominalStep | LoadStep, envelope: Envelope
) -> Iterator[Slip]:
    limit_a = step.current_limit_a
    if limit_a is not None and limit_a > envelope.current_a * (1 + _ROUNDING):
        yield Slip(
            (*path, "current_limit"),
            f"{_amps(limit_a)} is above the envelope's {_amps(envelope.current_a)}",
            f'"{_amps(envelope.current_a)}"',
        )


def _frequency_rules(
    path: KeyPath, step: StartStep | NominalStep | LoadStep, unit: Unit
) -> Iterator[Slip]:
    if step.frequency_hz is None:
        return
    if not isinstance(unit.input, AcInput):
        yield Slip((*path, "frequency"), "the unit's input is DC: there is no frequency to set")
        return
    if not any(math.isclose(step.frequency_hz, known) for known in unit.input.frequency_hz):
        known = ", ".join(format_quantity(value, "Hz") for value in unit.input.frequency_hz)
        yield Slip(
            (*path, "frequency"),
            f"{format_quantity(step.frequency_hz, 'Hz')} is none of the unit's: {known}",
            f'"{format_quantity(unit.input.frequency_hz[0], "Hz")}"',
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
    if not isinstance(part.step, LoadStep):
        return
    name = part.step.output or next(iter(unit.output))
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
    if part.kind in _STEPS and part.kind not in measure.steps:
        kinds = " or ".join(sorted(measure.steps))
        yield Slip(
            (*path, "measure"),
            f"{check.measure} belongs in a {kinds} step, this is a {part.kind} step",
        )
    elif unit is not None and measure.ac_only and unit.input.kind != "ac":
        yield Slip((*path, "measure"), f"{check.measure} means nothing for a DC input")
    if check.at is not None:
        yield from _at_rules((*path, "at"), check, part)


def _at_rules(path: KeyPath, check: Check, part: _StepPart) -> Iterator[Slip]:
    at_a = check.at
    assert at_a is not None
    if part.kind in _STEPS and part.kind != "load":
        yield Slip(path, f"a {part.kind} step has no load points: leave this key out")
    elif check.measure == "load_regulation":
        yield Slip(path, "load_regulation compares all load points: leave this key out")
    elif isinstance(part.step, LoadStep) and at_a not in part.step.currents_a:
        points = ", ".join(map(_amps, part.step.currents_a))
        yield Slip(
            path,
            f"{_amps(at_a)} is none of the step's load points: {points}",
            f'"{_amps(part.step.currents_a[-1])}"',
        )
