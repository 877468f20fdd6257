"""What several outputs owe each other: loads at once, total power, sign, order (pure)."""

from __future__ import annotations

from collections.abc import Iterator

from harness.files.config_error import ConfigError
from harness.files.toml_positions import KeyPath
from harness.profile.check import Check
from harness.profile.check_rules import ROUNDING, StepPart, quantity
from harness.profile.measures import Situation
from harness.profile.step import Place
from harness.quantity import format_quantity
from harness.unit.fixed_output import FixedOutput
from harness.unit.nameplate import Unit


def rail_rules(part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    """Yield what is wrong with a step where a unit has several outputs."""
    others = dict(_others(part))
    if others:
        yield from _other_rules(part, unit, others)
    if part.offers(Situation.LOADED) and unit.output:
        yield from _total_rules(part, unit, others)
    for position, check in part.checks.items():
        path = (*part.path, "checks", position)
        yield from _sign_rules(path, check, part, unit)
        if check.measure == "cross_regulation":
            yield from _cross_rules(path, check, part, unit)
        yield from _delay_rules(path, check, part, unit)


def first_output_rules(unit: Unit) -> Iterator[ConfigError]:
    """The first output is the main one: the others are named behind it."""
    name = next(iter(unit.output), "")
    output = unit.output.get(name)
    if not isinstance(output, FixedOutput):
        return
    what = "a standby output" if output.standby else "a signal" if output.kind == "logic" else ""
    what = what or ("a negative output" if output.polarity == "negative" else "")
    if what:
        yield ConfigError(
            ("unit", "output", name),
            f"{name!r} is {what}: the first output is the main one, name that before it",
        )


def _others(part: StepPart) -> Iterator[tuple[str, float]]:
    """Yield what is drawn at each other output, in A, as far as it can be read."""
    table = part.raw.get("others")
    for name, text in table.items() if isinstance(table, dict) else ():
        current_a = quantity(text, "A")
        if current_a is not None:
            yield str(name), current_a


def _loaded(part: StepPart, unit: Unit) -> str:
    return part.output or next(iter(unit.output), "")


def _other_rules(part: StepPart, unit: Unit, others: dict[str, float]) -> Iterator[ConfigError]:
    """Each is an output of its own, DC, and within its rating."""
    for name, current_a in others.items():
        path = (*part.path, "others", name)
        output = unit.output.get(name)
        if output is None:
            yield ConfigError(path, unit.no_output(name))
        elif name == _loaded(part, unit):
            yield ConfigError(path, f"{name!r} is the output that the step itself loads")
        elif output.kind != "dc":
            yield ConfigError(path, f"output {name!r} is no DC output: nothing loads it here")
        elif current_a > output.current_a * (1 + ROUNDING):
            given, most = (format_quantity(each, "A") for each in (current_a, output.current_a))
            yield ConfigError(
                path, f"{given} is more than the nominal {most} of output {name!r}", f'"{most}"'
            )


def _total_rules(part: StepPart, unit: Unit, others: dict[str, float]) -> Iterator[ConfigError]:
    """All that is drawn at once stays within the power of the unit, but in an overload."""
    output = unit.output.get(_loaded(part, unit))
    if not isinstance(output, FixedOutput) or part.raw.get("overload") is True:
        return
    points = part.points
    currents_a = [point.current_a(output) for point in points if point.value > 0]
    one_a = None if points else part.quantity("current", "A")
    own_a = max([*currents_a, one_a or 0.0], default=0.0)
    if own_a > output.current_a * (1 + ROUNDING):
        return  # it is an overload of that output by itself, which is told
    own_w = own_a * output.nominal_v
    beside_w = sum(
        current_a * unit.output[name].nominal_v
        for name, current_a in others.items()
        if name in unit.output
    )
    if own_w + beside_w > unit.output_power_w * (1 + ROUNDING):
        key = "others" if others else "currents" if "currents" in part.raw else "kind"
        at_once, most = (
            format_quantity(each, "W", 4) for each in (own_w + beside_w, unit.output_power_w)
        )
        yield part.wrong(
            key, f"{at_once} are drawn at once, more than the {most} that all outputs may give"
        )


def _sign_rules(path: KeyPath, check: Check, part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    """The meter reads a negative output below zero: limits above it never pass."""
    if check.measure != "meter.voltage_dc" or check.across != "output":
        return
    name = check.output or _loaded(part, unit)
    output = unit.output.get(name)
    if output is None:
        return
    if output.sign < 0 and check.low is not None and check.low > 0:
        low = format_quantity(-check.low, "V")
        yield ConfigError(
            (*path, "low"),
            f"output {name!r} is negative: its limits are below zero, the lower one first",
            f'"{low}"',
        )
    if output.sign > 0 and check.high is not None and check.high < 0:
        yield ConfigError((*path, "high"), f"output {name!r} is positive: it is never below zero")


def _cross_rules(path: KeyPath, check: Check, part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    """It is the change of one output while the load of another one changes."""
    loaded = _loaded(part, unit)
    if check.output is None or check.output == loaded:
        other = next((name for name in unit.output if name != loaded), "standby")
        yield ConfigError(
            (*path, "output"),
            f"cross_regulation is the change of another output than {loaded!r}, which the step "
            "loads: say which",
            f'"{other}"',
        )
    elif len(set(part.points)) < 2:
        yield ConfigError(
            (*path, "measure"),
            "cross_regulation compares load points: the step needs two different ones",
        )


def _delay_rules(path: KeyPath, check: Check, part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    """It is the time from one output that comes up to another one, in a step in which both do."""
    if check.measure != "rise_delay":
        if check.after is not None:
            yield ConfigError((*path, "after"), f"{check.measure} waits for no other: leave it out")
        return
    names = list(unit.output)
    for key, name in (("output", check.output), ("after", check.after)):
        if name is None:
            example = names[0 if key == "output" else -1] if names else "main"
            yield ConfigError((*path, key), "this key is missing", f'"{example}"')
        elif name not in unit.output:
            yield ConfigError((*path, key), unit.no_output(name))
    if check.output is not None and check.output == check.after:
        yield ConfigError((*path, "after"), "an output does not come up after itself")
    if part.place is Place.NOMINAL and part.raw.get("enable") is not True:
        yield ConfigError(
            (*path, "measure"),
            "the outputs are up already: rise_delay belongs in the start, or a nominal step that "
            "pulls the enable input",
        )
