"""What a profile's parts owe each other: rules that no single key can break alone.

Every part that is right in itself is held against the others, so that one wrong key does not hide
the next mistake.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.files.config_error import ConfigError
from harness.profile.check_rules import ROUNDING, StepPart, check_rules, part_of
from harness.profile.enable import enable_rules
from harness.profile.feed_rules import fed_unit, feed_rules, level_rules
from harness.profile.line_rules import line_rules
from harness.profile.load_rules import load_rules
from harness.profile.rail_rules import first_output_rules, rail_rules
from harness.profile.schema import Envelope
from harness.profile.step import Place
from harness.quantity import format_quantity
from harness.unit.nameplate import RectifiedInput, Unit


def profile_errors(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Yield every rule that what stands in a profile breaks."""
    unit = part_of(Unit, data.get("unit"))
    envelope = part_of(Envelope, data.get("envelope"))
    listed = data.get("steps")
    steps = [StepPart(i, raw) for i, raw in enumerate(listed if isinstance(listed, list) else [])]
    yield from feed_rules(data.get("feed"), data.get("purpose"), unit)
    unit = fed_unit(data.get("feed"), unit)
    if unit is not None and envelope is not None:
        yield from _envelope_rules(unit, envelope)
    if unit is not None:
        yield from first_output_rules(unit)
        yield from enable_rules(steps, unit, envelope)
    yield from _order_rules(steps)
    yield from _start_rules(steps)
    if unit is not None:
        yield from line_rules(steps, unit, envelope)
    for part in steps:
        yield from level_rules(part, unit, envelope)
        yield from check_rules(part, unit)
        yield from load_rules(part, unit)
        if unit is not None:
            yield from rail_rules(part, unit)
        if envelope is not None:
            yield from _limit_rules(part, envelope)


def _volts(value_v: float) -> str:
    return format_quantity(value_v, "V")


def _amps(value_a: float) -> str:
    return format_quantity(value_a, "A")


def _envelope_rules(unit: Unit, envelope: Envelope) -> Iterator[ConfigError]:
    """Hold the envelope against the nameplate (safety rule 1).

    An AC unit that is fed with DC goes as far as the supply does.
    """
    path, given = ("envelope", "voltage"), _volts(envelope.voltage_v)
    nominal, highest = unit.input.nominal, _volts(unit.input.highest_v)
    if envelope.voltage_v > unit.input.highest_v * (1 + ROUNDING):
        tolerance = format_quantity(unit.input.tolerance_frac, "%")
        yield ConfigError(
            path,
            f"{given} is outside the nameplate's tolerance: {nominal} and {tolerance} allow "
            f"{highest}",
            f'"{highest}"',
        )
    is_fed = isinstance(unit.input, RectifiedInput)
    if not is_fed and envelope.voltage_v < unit.input.low_nominal_v * (1 - ROUNDING):
        yield ConfigError(
            path,
            f"{given} is below the nominal {nominal}: the unit could never be brought up",
            f'"{highest}"',
        )


def _order_rules(steps: list[StepPart]) -> Iterator[ConfigError]:
    """Cold checks, then a current-limited start, then steps at nominal voltage, discharge last."""
    started, reached_frac, discharged = False, 0.0, False
    for part in steps:
        place = part.place
        if place is None:
            continue  # validation tells that there is no such kind
        if place is Place.BEFORE_POWER:
            if started:
                yield part.wrong(
                    "kind", "a cold step after power: cold checks come before the first start"
                )
            continue
        if discharged and place is not Place.LAST:
            yield part.wrong(
                "kind", f"a {part.kind} step after a discharge step: that is the last of a run"
            )
        if place is Place.START:
            levels = part.quantities("levels", "%")
            started, reached_frac = True, levels[-1] if levels else 1.0
            continue
        if not started:
            yield part.wrong(
                "kind",
                f"a {part.kind} step before any start step: power must first come by a "
                "current-limited start",
                '"start"',
            )
            started, reached_frac = True, 1.0  # said once
        elif place is not Place.NOMINAL and reached_frac < 1:
            yield part.wrong(
                "kind",
                f"the start before it ends at {format_quantity(reached_frac, '%')}: a {part.kind} "
                "step needs nominal voltage; end the start at 100 %, or put a nominal step between",
                '"nominal"',
            )
            reached_frac = 1.0  # said once
        if place is Place.NOMINAL:
            reached_frac = 1.0
        discharged = discharged or place is Place.LAST


def _start_rules(steps: list[StepPart]) -> Iterator[ConfigError]:
    """Power is off before the first start: what says how it goes off belongs in a later one."""
    first = next((part for part in steps if part.place is Place.START), None)
    for key in ("off", "bulk_below"):
        if first is not None and key in first.raw:
            yield first.wrong(
                key, "power has not been on before the first start: leave this key out"
            )


def _limit_rules(part: StepPart, envelope: Envelope) -> Iterator[ConfigError]:
    limit_a, most = part.quantity("current_limit", "A"), _amps(envelope.current_a)
    if limit_a is not None and limit_a > envelope.current_a * (1 + ROUNDING):
        problem = f"{_amps(limit_a)} is above the envelope's {most}"
        yield part.wrong("current_limit", problem, f'"{most}"')
