"""What the load of a step owes the unit: its points, what is connected by hand, overload (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from harness.files.config_error import ConfigError
from harness.profile.charger_rules import charger_rules, drain_rules, not_for_charging
from harness.profile.check_rules import LOADING_KEYS, ROUNDING, StepPart
from harness.profile.level import LoadPoint, resistor_ohm
from harness.profile.load_step import POINT_EXAMPLES, POINT_KEYS
from harness.profile.measures import Situation
from harness.quantity import QuantityError, format_quantity, shown
from harness.unit.charger_output import ChargerOutput
from harness.unit.fixed_output import FixedOutput
from harness.unit.nameplate import Unit


def load_rules(part: StepPart, unit: Unit | None) -> Iterator[ConfigError]:
    """Yield every rule that the load of a step breaks."""
    if part.offers(Situation.LOAD_POINTS):
        yield from _point_list_rules(part)
    if part.offers(Situation.LOADED) and "load" in part.raw:
        yield from _by_hand_rules(part)
    if part.offers(Situation.BACKFED) and unit is not None:
        yield from drain_rules(part, unit)
    asks = part.offers(Situation.LOADED) and {*LOADING_KEYS, "wake"} & part.raw.keys()
    if unit is not None and (part.offers(Situation.LOAD_POINTS) or asks):
        yield from _output_rules(part, unit)


def _amps(value_a: float) -> str:
    return format_quantity(value_a, "A")


def _point_list_rules(part: StepPart) -> Iterator[ConfigError]:
    """A load step has the load points of its mode, or a load that is connected by hand."""
    given = {mode: key for mode, key in POINT_KEYS.items() if key in part.raw}
    if "load" in part.raw:
        for key in (*given.values(), *(["mode"] if "mode" in part.raw else [])):
            yield part.wrong(
                key, "a load that is connected by hand has no load points: leave this key out"
            )
        return
    if part.mode is None:
        return
    for mode, key in given.items():
        if mode != part.mode:
            yield part.wrong(
                key,
                f'the step\'s mode is {part.mode!r}: leave this key out, or say mode = "{mode}"',
            )
    if part.mode not in given:
        key = POINT_KEYS[part.mode]
        yield part.wrong(key, "this key is missing", POINT_EXAMPLES[part.mode])


def _by_hand_rules(part: StepPart) -> Iterator[ConfigError]:
    for key in LOADING_KEYS & part.raw.keys() - {"load"}:
        yield part.wrong(
            key, "a load that is connected by hand takes what it takes: leave this key out"
        )
    try:
        ohm = resistor_ohm(part.by_hand or "")
    except QuantityError as error:
        yield part.wrong("load", error.problem, '"resistor 10 ohm"')
    else:
        if ohm is not None and ohm <= 0:
            yield part.wrong("load", f"{shown(part.by_hand)} is not above zero")


def _output_rules(part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    """Hold a loaded step against the unit's outputs."""
    key, what = "current", "a load current"
    if part.offers(Situation.LOAD_POINTS):
        key, what = "kind", "a load step"
    if not unit.output:
        yield part.wrong(
            key,
            f"{what}, but the unit has no output; name it in [unit]",
            'output = { main = { kind = "dc", nominal = "5 V", current = "2 A" } }',
        )
        return
    first = next(iter(unit.output))
    name = part.output or first
    if name not in unit.output:
        yield part.wrong("output", unit.no_output(name), f'"{first}"')
        return
    output = unit.output[name]
    if isinstance(output, ChargerOutput):
        yield from charger_rules(part, name, output)
    elif output.kind != "dc":
        what = "AC" if output.kind == "ac" else "a signal"
        yield part.wrong(key, f"output {name!r} is {what}: a load step loads DC outputs")
    else:
        yield from not_for_charging(part, name)
        yield from _overload_rules(part, name, output)


def _overload_rules(part: StepPart, name: str, output: FixedOutput) -> Iterator[ConfigError]:
    """A point above the nominal current is there on purpose, and within what the output bears."""
    key, points = _asked_for(part)
    if points and points[0].mode == "voltage":
        yield from _held_voltage_rules(part, name, output)
        return
    currents = [(point.current_a(output), point) for point in points if point.value > 0]
    amps, point = max(currents, key=lambda one: one[0], default=(0.0, None))
    if point is None or amps <= output.current_a * (1 + ROUNDING):
        return
    label = _amps(amps) if point.mode == "current" else f"{point.label} ({_amps(amps)})"
    over = f"{label} is more than the nominal {_amps(output.current_a)} of output {name!r}"
    if part.raw.get("overload") is not True:
        remedy = "overload belongs in a load step"
        if part.offers(Situation.LOAD_POINTS):
            remedy = "say overload = true to go there on purpose"
        yield part.wrong(key, f"{over}: {remedy}")
    elif output.limit_a is None:
        yield part.wrong(
            key,
            f"{over}, and [unit] does not say how much it bears; give the output its limit",
            f'limit = "{_amps(amps)}"',
        )
    elif amps > output.limit_a * (1 + ROUNDING):
        limit = _amps(output.limit_a)
        yield part.wrong(key, f"{label} is more than {limit}, the limit of output {name!r}")


def _held_voltage_rules(part: StepPart, name: str, output: FixedOutput) -> Iterator[ConfigError]:
    """A load that holds the voltage takes all that an output of constant voltage gives."""
    key, all_of_it = POINT_KEYS["voltage"], f"takes all that output {name!r} gives, its limit"
    if part.raw.get("overload") is not True:
        yield part.wrong(
            key,
            f"a load in constant voltage {all_of_it}: say overload = true to go there on purpose",
        )
    elif output.limit_a is None:
        yield part.wrong(
            key,
            f"a load in constant voltage {all_of_it}, and [unit] does not say how much that is; "
            "give the output its limit",
            f'limit = "{_amps(1.5 * output.current_a)}"',
        )
    nominal = format_quantity(output.nominal_v, "V")
    for path, voltage_v in part.each(key, "V"):
        if voltage_v >= output.nominal_v:
            yield ConfigError(
                path,
                f"{format_quantity(voltage_v, 'V')} is not below the nominal {nominal} of output "
                f"{name!r}: a load that holds it takes nothing",
            )


def _asked_for(part: StepPart) -> tuple[str, tuple[LoadPoint, ...]]:
    """Return the key that asks for load, and the points it asks for."""
    if part.by_hand is not None:
        ohm = 0.0
        with suppress(QuantityError):  # told by the rules of a load that is connected by hand
            ohm = resistor_ohm(part.by_hand) or 0.0
        return "load", (LoadPoint("resistance", ohm),)
    if not part.offers(Situation.LOAD_POINTS):
        current_a = part.quantity("current", "A")
        return "current", () if current_a is None else (LoadPoint("current", current_a),)
    return POINT_KEYS[part.mode or "current"], part.points
