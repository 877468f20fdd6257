"""What a check owes its step and the unit."""

from __future__ import annotations

from collections.abc import Iterator

from harness.files.config_error import ConfigError
from harness.files.toml_positions import KeyPath
from harness.profile.check import Check
from harness.profile.level import LoadPoint
from harness.profile.measures import MEASURES, SETTINGS, Situation
from harness.profile.step_part import StepPart, quantity
from harness.profile.steps import STEP_KINDS, kinds_for
from harness.quantity import format_quantity, shown
from harness.unit.nameplate import Unit

#: Load points of an average efficiency, as shares of nominal output current.
#: Source: EU 2019/1782, Annex II: 25, 50, 75 and 100 %.
AVERAGE_FRAC = (0.25, 0.5, 0.75, 1.0)

#: Figures that need several load points at once.
_OF_ALL_POINTS = ("load_regulation", "average_efficiency")


def check_rules(part: StepPart, unit: Unit | None) -> Iterator[ConfigError]:
    """Hold the checks of a step against the step and the unit.

    Args:
        part: The step.
        unit: The nameplate, or None where it is wrong itself.
    """
    yield from _names(part)
    for position, check in part.checks.items():
        path = (*part.path, "checks", position)
        if part.kind in STEP_KINDS:
            yield from _measure_rules(path, check, part, unit)
            yield from _where_rules(path, check, part)
        yield from _asking_rules(path, check)
        if "at" in part.raw["checks"][position]:
            yield from _at_rules((*path, "at"), check, part)
        if part.points is not None and part.offers(Situation.LOAD_POINTS):
            yield from _point_rules((*path, "measure"), check, part.points, part, unit)


def _names(part: StepPart) -> Iterator[ConfigError]:
    seen: set[str] = set()
    for position, check in part.checks.items():
        if check.name in seen:
            yield ConfigError(
                (*part.path, "checks", position, "name"),
                f"this step has a check {shown(check.name)} already; every name once",
            )
        seen.add(check.name)


def _measure_rules(
    path: KeyPath, check: Check, part: StepPart, unit: Unit | None
) -> Iterator[ConfigError]:
    measure, path = MEASURES[check.measure], (*path, "measure")
    if not any(map(part.offers, measure.situations)):
        kinds = " or ".join(sorted(kinds_for(measure)))
        yield ConfigError(
            path, f"{check.measure} belongs in a {kinds} step, this is a {part.kind} step"
        )
        return
    if unit is not None and measure.ac_only and unit.input.kind != "ac":
        yield ConfigError(path, f"{check.measure} means nothing for a DC input")
    unloaded = "current" not in part.raw and not part.offers(Situation.LOAD_POINTS)
    if unloaded and (check.measure == "efficiency" or measure.source == "load"):
        yield ConfigError(
            path,
            f"{check.measure} needs a load: give the {part.kind} step its current",
            'current = "1 A"',
        )
    if part.by_hand is not None and any(role == "load" for role in measure.roles):
        yield ConfigError(
            path, f"{check.measure} needs an electronic load, not one that is connected by hand"
        )
    if check.measure == "line_regulation":
        corners = part.quantities("voltages", "%")
        if corners is not None and len(set(corners)) < 2:
            yield ConfigError(
                path, "line_regulation compares voltages: the step needs two different ones"
            )


def _where_rules(path: KeyPath, check: Check, part: StepPart) -> Iterator[ConfigError]:
    """The leads of the meter are moved without power alone."""
    if check.across == "output":
        pass
    elif not check.measure.startswith("meter."):
        yield ConfigError(
            (*path, "across"), f"{check.measure} is not measured by the meter: leave it out"
        )
    elif not part.offers(Situation.COLD):
        yield ConfigError(
            (*path, "across"),
            "nobody moves the meter's leads while power is on: this key belongs in a cold step",
        )
    if check.figure != "mean" and (
        not part.offers(Situation.HELD) or not MEASURES[check.measure].source
    ):
        yield ConfigError(
            (*path, "figure"),
            f"{check.figure!r} needs readings of an instrument over a hold",
            '"mean"',
        )


def _asking_rules(path: KeyPath, check: Check) -> Iterator[ConfigError]:
    """What a person is asked needs words, a unit, and a rule that its uncertainty allows."""
    if not check.by_operator:
        if check.ask is not None:
            yield ConfigError((*path, "ask"), f"{check.measure} asks nobody: leave this key out")
        return
    if check.ask is None:
        yield ConfigError(
            (*path, "ask"), "this key is missing", '"Insulation resistance at 500 V?"'
        )
    if check.measure == "operator.yes_no":
        if any(limit not in (None, 0.0, 1.0) for limit in (check.low, check.high)):
            yield ConfigError(
                (*path, "measure"), "an answer is 1 for yes or 0 for no: limits are these"
            )
        return
    if check.value_unit is None and check.limit is None:
        yield ConfigError((*path, "unit"), "this key is missing", '"ohm"')
    if check.accuracy is None and check.rule == "guarded":
        yield ConfigError(
            (*path, "rule"),
            "the guarded rule needs the tester's accuracy; give it, or say that its reading is "
            "compared as it is",
            '"simple"',
        )


def _at_rules(path: KeyPath, check: Check, part: StepPart) -> Iterator[ConfigError]:
    if part.kind in STEP_KINDS and not part.offers(Situation.LOAD_POINTS):
        yield ConfigError(path, f"a {part.kind} step has no load points: leave this key out")
        return
    if check.measure in _OF_ALL_POINTS:
        yield ConfigError(path, f"{check.measure} compares all load points: leave this key out")
        return
    if part.by_hand is not None:
        yield ConfigError(
            path, "a load that is connected by hand is the only one: leave this key out"
        )
        return
    if part.points is None or part.mode is None:
        return
    text = part.raw["checks"][path[-2]]["at"]
    at, unit = quantity(text, SETTINGS["load"][part.mode]), SETTINGS["load"][part.mode]
    if at in [point.value for point in part.points]:
        return
    written = shown(text) if at is None else format_quantity(at, unit)
    points = ", ".join(point.label for point in part.points)
    yield ConfigError(
        path,
        f"{written} is none of the step's load points: {points}",
        f'"{part.points[-1].label}"',
    )


def _point_rules(
    path: KeyPath,
    check: Check,
    points: tuple[LoadPoint, ...],
    part: StepPart,
    unit: Unit | None,
) -> Iterator[ConfigError]:
    """Refuse figures that the load points cannot give: they would always pass, or never."""
    if check.measure == "load_regulation" and len(set(points)) < 2:
        yield ConfigError(
            path, "load_regulation compares load points: the step needs two different ones"
        )
    idle = LoadPoint(points[0].mode, 0.0)
    unloaded = idle in points and check.at in (None, 0.0)
    if check.measure == "efficiency" and unloaded:
        example = f'at = "{max(points, key=lambda point: point.value).label}"'
        yield ConfigError(
            path, f"there is no efficiency at {idle.label}: say at which load point", example
        )
    if check.measure == "average_efficiency" and unit is not None:
        yield from _average_rules(path, points, part, unit)


def _average_rules(
    path: KeyPath, points: tuple[LoadPoint, ...], part: StepPart, unit: Unit
) -> Iterator[ConfigError]:
    output = unit.output.get(part.output or next(iter(unit.output), ""))
    if output is None:
        return
    if len(unit.output) > 1:
        yield ConfigError(path, "average_efficiency loads every output, this bench loads one")
        return
    wanted = [float(f"{share * output.current_a:.12g}") for share in AVERAGE_FRAC]
    asked = [point.value for point in points if point.mode == "current"]
    if any(all(abs(one - value) > 1e-6 * value for one in asked) for value in wanted):
        listed = ", ".join(f'"{format_quantity(value, "A")}"' for value in wanted)
        yield ConfigError(
            path,
            "average_efficiency needs the load points 25, 50, 75 and 100 % of nominal current",
            f"currents = [{listed}]",
        )
