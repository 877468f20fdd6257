"""What a loaded step owes the unit's outputs."""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import did_you_mean
from harness.files.config_error import ConfigError
from harness.files.toml_positions import KeyPath
from harness.profile.level import LoadPoint, resistor_ohm
from harness.profile.measures import Situation
from harness.profile.step_part import POINT_KEYS, ROUNDING, StepPart
from harness.quantity import QuantityError, format_quantity, shown
from harness.unit.nameplate import Output, Unit

__all__ = ["load_rules", "point_list_rules"]

_POINTS = {
    "current": '["0 A", "1.25 A", "2.5 A"]',
    "resistance": '["20 ohm", "10 ohm"]',
    "power": '["0 W", "30 W", "60 W"]',
}


def point_list_rules(part: StepPart) -> Iterator[ConfigError]:
    """A load step has the load points of its mode, or a load that is connected by hand."""
    given = {mode: key for mode, key in POINT_KEYS.items() if key in part.raw}
    if "load" in part.raw:
        for key in (*given.values(), *(["mode"] if "mode" in part.raw else [])):
            yield ConfigError(
                (*part.path, key),
                "a load that is connected by hand has no load points: leave this key out",
            )
        yield from _by_hand_rules(part)
        return
    if part.mode is None:
        return
    for mode, key in given.items():
        if mode != part.mode:
            yield ConfigError(
                (*part.path, key),
                f'the step\'s mode is {part.mode!r}: leave this key out, or say mode = "{mode}"',
            )
    if part.mode not in given:
        key = POINT_KEYS[part.mode]
        yield ConfigError((*part.path, key), "this key is missing", _POINTS[part.mode])


def _by_hand_rules(part: StepPart) -> Iterator[ConfigError]:
    try:
        ohm = resistor_ohm(part.by_hand or "")
    except QuantityError as error:
        yield ConfigError((*part.path, "load"), error.problem, '"resistor 10 ohm"')
    else:
        if ohm is not None and ohm <= 0:
            yield ConfigError((*part.path, "load"), f"{shown(part.by_hand)} is not above zero")


def load_rules(part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    """Hold a loaded step against the unit's outputs."""
    where = (*part.path, "kind") if part.offers(Situation.LOAD_POINTS) else (*part.path, "current")
    what = "a load step" if part.offers(Situation.LOAD_POINTS) else "a load current"
    if not unit.output:
        yield ConfigError(
            where,
            f"{what}, but the unit has no output; name it in [unit]",
            'output = { main = { kind = "dc", nominal = "5 V", current = "2 A" } }',
        )
        return
    name = part.output or next(iter(unit.output))
    if name not in unit.output:
        hint = did_you_mean(name, unit.output) or f"; there are {', '.join(unit.output)}"
        yield ConfigError(
            (*part.path, "output"),
            f"the unit has no output {shown(name)}{hint}",
            f'"{next(iter(unit.output))}"',
        )
    elif unit.output[name].kind != "dc":
        yield ConfigError(where, f"output {name!r} is AC: a load step loads DC outputs")
    else:
        yield from _overload_rules(part, name, unit.output[name])


def _overload_rules(part: StepPart, name: str, output: Output) -> Iterator[ConfigError]:
    """A point above the nominal current is there on purpose, and within what the output bears."""
    key, points = _asked_for(part)
    currents = [(point, point.current_a(output.nominal_v)) for point in points if point.value > 0]
    above = [(point, amps) for point, amps in currents if amps > output.current_a * (1 + ROUNDING)]
    if not above:
        return
    path: KeyPath = (*part.path, key)
    nominal = format_quantity(output.current_a, "A")
    point, amps = max(above, key=lambda one: one[1])
    shown_a = format_quantity(amps, "A")
    label = shown_a if point.mode == "current" else f"{point.label} ({shown_a})"
    if part.raw.get("overload") is not True:
        if part.offers(Situation.LOAD_POINTS):
            remedy = "say overload = true to go there on purpose"
        else:
            remedy = "overload belongs in a load step"
        yield ConfigError(
            path, f"{label} is more than the nominal {nominal} of output {name!r}: {remedy}"
        )
    elif output.limit_a is None:
        yield ConfigError(
            path,
            f"{label} is more than the nominal {nominal} of output {name!r}, and [unit] does not "
            "say how much it bears; give the output its limit",
            f'limit = "{shown_a}"',
        )
    elif amps > output.limit_a * (1 + ROUNDING):
        limit = format_quantity(output.limit_a, "A")
        yield ConfigError(path, f"{label} is more than {limit}, the limit of output {name!r}")


def _asked_for(part: StepPart) -> tuple[str, tuple[LoadPoint, ...]]:
    """Return the key that asks for load, and the points it asks for."""
    if not part.offers(Situation.LOAD_POINTS):
        current_a = part.quantity("current", "A")
        return "current", () if current_a is None else (LoadPoint("current", current_a),)
    if part.by_hand is not None:
        try:
            ohm = resistor_ohm(part.by_hand) or 0.0
        except QuantityError:  # told by the rules of a load that is connected by hand
            ohm = 0.0
        return "load", (LoadPoint("resistance", ohm),) if ohm > 0 else ()
    key = POINT_KEYS[part.mode] if part.mode else "currents"
    return key, part.points or ()
