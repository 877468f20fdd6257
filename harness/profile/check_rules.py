"""What can be read of a step, right or wrong, and what its checks owe it and the unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.files.config_error import ConfigError
from harness.files.field_types import Table
from harness.files.toml_positions import KeyPath
from harness.profile.asking_rules import asking_rules
from harness.profile.check import Check
from harness.profile.level import LoadMode, LoadPoint
from harness.profile.load_step import POINT_KEYS
from harness.profile.measures import MEASURES, SETTINGS, TOLD_BY_LEVEL, Situation
from harness.profile.safety_checks import safety_test_rules
from harness.profile.step import Place
from harness.profile.steps import STEP_KINDS, kinds_for
from harness.profile.window_rules import window_rules
from harness.quantity import QuantityError, format_quantity, parse_quantity, shown
from harness.unit.nameplate import Unit

#: Rounding of decimal fractions is no mistake: 24 V and 10 % make 26.400000000000002 V.
ROUNDING = 1e-9

#: Load points of an average efficiency, as shares of nominal output current.
#: Source: EU 2019/1782, Annex II: 25, 50, 75 and 100 %.
AVERAGE_FRAC = (0.25, 0.5, 0.75, 1.0)

#: Figures that need several load points at once.
_OF_ALL_POINTS = ("load_regulation", "cross_regulation", "average_efficiency")

#: Figures that compare line voltages.
_OF_CORNERS = tuple(name for name, one in MEASURES.items() if Situation.CORNERS in one.situations)

#: What loads a step, other than load points.
HELD_KEY = "load_voltage"
LOADING_KEYS = frozenset({"current", "load", HELD_KEY})

_TableT = TypeVar("_TableT", bound=Table)


class StepPart:
    """What can be read of the step at a position; a value is None where it is left out or wrong."""

    def __init__(self, position: int, raw: object) -> None:
        self.path: KeyPath = ("steps", position)
        #: The step as it stands in the file.
        self.raw: Mapping[str, Any] = raw if isinstance(raw, dict) else {}
        self.kind = self._text("kind") or ""
        known = STEP_KINDS.get(self.kind)
        #: Where it stands among the others; None where there is no such kind.
        self.place = None if known is None else known.place
        self._situations = frozenset[Situation]() if known is None else known.situations
        #: Name of the output it loads.
        self.output = self._text("output")
        #: The load that is connected by hand.
        self.by_hand = self._text("load")
        asked = self.raw.get("mode", "current")
        self.mode: LoadMode | None = next((mode for mode in POINT_KEYS if mode == asked), None)
        self.points: tuple[LoadPoint, ...] = ()
        if self.mode is not None:
            values = self.quantities(POINT_KEYS[self.mode], SETTINGS["load"][self.mode])
            self.points = tuple(LoadPoint(self.mode, value) for value in values)
        #: Its checks by position, those that are wrong left out.
        self.checks = {
            number: check
            for number, text in enumerate(self._list("checks"))
            if (check := part_of(Check, text)) is not None
        }

    def offers(self, situation: Situation) -> bool:
        """Whether something can be measured in it; not where there is no such kind."""
        return situation in self._situations

    def wrong(self, key: str, problem: str, example: str = "") -> ConfigError:
        """Return a mistake at one of its keys."""
        return ConfigError((*self.path, key), problem, example)

    def quantity(self, key: str, unit: str) -> float | None:
        """Return what stands at a key, or None where there is none to read."""
        return quantity(self.raw.get(key), unit)

    def each(self, key: str, unit: str) -> Iterator[tuple[KeyPath, float]]:
        """Yield each quantity of a list that can be read, with where it stands."""
        for number, text in enumerate(self._list(key)):
            value = quantity(text, unit)
            if value is not None:
                yield (*self.path, key, number), value

    def held_voltages(self) -> Iterator[tuple[KeyPath, float]]:
        """Yield each voltage that its load holds, with where it stands."""
        if not self.offers(Situation.LOAD_POINTS):
            held_v = self.quantity(HELD_KEY, "V")
            if held_v is not None:
                yield (*self.path, HELD_KEY), held_v
        elif self.mode == "voltage":
            yield from self.each(POINT_KEYS["voltage"], "V")

    def quantities(self, key: str, unit: str) -> tuple[float, ...]:
        """Return a list of quantities; empty where any of them cannot be read."""
        values = tuple(value for _, value in self.each(key, unit))
        return values if len(values) == len(self._list(key)) else ()

    def _text(self, key: str) -> str | None:
        text = self.raw.get(key)
        return text if isinstance(text, str) else None

    def _list(self, key: str) -> list[Any]:
        listed = self.raw.get(key)
        return listed if isinstance(listed, list) else []


def part_of(model: type[_TableT], raw: object) -> _TableT | None:
    """Return a part that is right in itself, or None."""
    try:
        return model.model_validate(raw)
    except ValidationError:
        return None


def quantity(raw: object, unit: str) -> float | None:
    """Return a quantity, or None where there is none to read; validation tells why."""
    try:
        return parse_quantity(raw, unit)
    except QuantityError:
        return None


def check_rules(part: StepPart, unit: Unit | None) -> Iterator[ConfigError]:
    """Hold the checks of a step against it and the nameplate, None where that is wrong itself."""
    seen: set[str] = set()
    for position, check in part.checks.items():
        if check.name in seen:
            yield ConfigError(
                (*part.path, "checks", position, "name"),
                f"this step has a check {shown(check.name)} already; every name once",
            )
        seen.add(check.name)
    for position, check in part.checks.items():
        path = (*part.path, "checks", position)
        if part.place is not None:
            yield from _measure_rules((*path, "measure"), check, part, unit)
            yield from _where_rules(path, check, part, unit)
        yield from asking_rules(
            path, check, held=part.place is None or part.offers(Situation.WATCHED)
        )
        yield from window_rules(path, check, part.kind)
        yield from safety_test_rules(path, check, unit)
        if check.by_operator and check.at is not None:
            yield ConfigError(
                (*path, "at"), f"{check.measure} is asked about once: leave this key out"
            )
        elif "at" in part.raw["checks"][position]:
            if check.measure in TOLD_BY_LEVEL and part.place is Place.START:
                yield from _level_rules((*path, "at"), check, part, unit)
            else:
                yield from _at_rules((*path, "at"), check, part)
        if part.points and part.offers(Situation.LOAD_POINTS):
            yield from _point_rules((*path, "measure"), check, part, unit)


def _measure_rules(
    path: KeyPath, check: Check, part: StepPart, unit: Unit | None
) -> Iterator[ConfigError]:
    measure = MEASURES[check.measure]
    if not any(map(part.offers, measure.situations)):
        kinds = " or ".join(sorted(kinds_for(measure)))
        yield ConfigError(
            path, f"{check.measure} belongs in a {kinds} step, this is a {part.kind} step"
        )
        return
    if unit is not None and measure.ac_only and unit.input.kind != "ac":
        yield ConfigError(path, f"{check.measure} means nothing for a DC input")
    unloaded = not LOADING_KEYS & part.raw.keys() and not part.offers(Situation.LOAD_POINTS)
    if unloaded and (check.measure == "efficiency" or measure.source == "load"):
        yield ConfigError(
            path,
            f"{check.measure} needs a load: give the {part.kind} step its current",
            'current = "1 A"',
        )
    by_load = any(name.startswith("load.") for name in measure.readings())
    if part.by_hand is not None and by_load and Situation.DIPPED not in measure.situations:
        yield ConfigError(
            path, f"{check.measure} needs an electronic load, not one that is connected by hand"
        )
    if check.measure in _OF_CORNERS and len(set(part.quantities("voltages", "%"))) == 1:
        yield ConfigError(
            path, f"{check.measure} compares voltages: the step needs two different ones"
        )


def _where_rules(
    path: KeyPath, check: Check, part: StepPart, unit: Unit | None
) -> Iterator[ConfigError]:
    """The leads of the meter are moved without power alone, to an output that there is."""
    if check.output is not None:
        at, name = (*path, "output"), check.output
        reads = MEASURES[check.measure].made_of == ("meter.voltage_dc",)
        if check.across != "output" or not (reads or check.measure.startswith("meter.")):
            yield ConfigError(at, "only what the meter reads at an output names one: leave it out")
        elif unit is not None and name not in unit.output:
            yield ConfigError(at, unit.no_output(name), f'"{next(iter(unit.output), "main")}"')
    if check.across != "output" and not check.measure.startswith("meter."):
        yield ConfigError(
            (*path, "across"), f"{check.measure} is not measured by the meter: leave it out"
        )
    elif not (check.across == "output" or part.offers(Situation.COLD) or _at_bulk(check, part)):
        yield ConfigError(
            (*path, "across"),
            "nobody moves the meter's leads while power is on: this key belongs in a cold step, "
            'or, for the voltage across "bulk", in a start step',
        )
    held_reading = part.offers(Situation.HELD) and MEASURES[check.measure].source
    if check.figure in ("drift", "end") and not held_reading:
        yield ConfigError(
            (*path, "figure"),
            f"{check.figure!r} needs readings of an instrument over a hold",
            '"mean"',
        )


def _at_bulk(check: Check, part: StepPart) -> bool:
    """Whether the meter stands across the bulk capacitor before power first comes on."""
    return (check.across, check.measure, part.place) == ("bulk", "meter.voltage_dc", Place.START)


def _at_rules(path: KeyPath, check: Check, part: StepPart) -> Iterator[ConfigError]:
    if part.place is not None and not part.offers(Situation.LOAD_POINTS):
        yield ConfigError(path, f"a {part.kind} step has no load points: leave this key out")
    elif check.measure in _OF_ALL_POINTS:
        yield ConfigError(path, f"{check.measure} compares all load points: leave this key out")
    elif part.by_hand is not None:
        yield ConfigError(
            path, "a load that is connected by hand is the only one: leave this key out"
        )
    elif part.points and part.mode is not None:
        text, unit = part.raw["checks"][path[-2]]["at"], SETTINGS["load"][part.mode]
        at = quantity(text, unit)
        if at not in [point.value for point in part.points]:
            written = shown(text) if at is None else format_quantity(at, unit)
            labels = [point.label for point in part.points]
            yield ConfigError(
                path,
                f"{written} is none of the step's load points: {', '.join(labels)}",
                f'"{labels[-1]}"',
            )


def _level_rules(
    path: KeyPath, check: Check, part: StepPart, unit: Unit | None
) -> Iterator[ConfigError]:
    """Hold the level of a start that a figure is told at against its levels and the threshold."""
    shares = part.quantities("levels", "%")
    raw = part.raw["checks"][path[-2]]["at"]
    if shares and quantity(raw, "%") not in shares:
        labels = [format_quantity(share, "%") for share in shares]
        yield ConfigError(
            path,
            f"{shown(raw)} is none of the step's levels: {', '.join(labels)}",
            f'"{labels[0]}"',
        )
    elif unit is not None and check.at is not None:
        nominal_v = part.quantity("nominal", "V") or unit.input.low_nominal_v
        asleep = check.at * nominal_v < unit.input.start_threshold_v
        if asleep is not TOLD_BY_LEVEL[check.measure]:
            other = next(name for name, below in TOLD_BY_LEVEL.items() if below is asleep)
            yield ConfigError(
                path,
                f"{check.level} of nominal lies {'below' if asleep else 'above'} the start "
                f"threshold, where a level tells {other}",
            )


def _point_rules(
    path: KeyPath, check: Check, part: StepPart, unit: Unit | None
) -> Iterator[ConfigError]:
    """Refuse figures that the load points cannot give: they would always pass, or never."""
    points = part.points
    if check.measure == "load_regulation" and len(set(points)) < 2:
        yield ConfigError(
            path, "load_regulation compares load points: the step needs two different ones"
        )
    if check.measure == "load_regulation" and points[0].mode == "voltage":
        yield ConfigError(
            path, "there is no load_regulation where the load holds the voltage: leave it out"
        )
    idle = LoadPoint(points[0].mode, 0.0)
    if check.measure == "efficiency" and idle in points and check.at in (None, 0.0):
        example = f'at = "{max(points, key=lambda point: point.value).label}"'
        yield ConfigError(
            path, f"there is no efficiency at {idle.label}: say at which load point", example
        )
    if check.measure == "average_efficiency" and unit is not None:
        yield from _average_rules(path, part, unit)


def _average_rules(path: KeyPath, part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    output = unit.output.get(part.output or next(iter(unit.output), ""))
    if output is None:
        return
    if len(unit.output) > 1:
        yield ConfigError(path, "average_efficiency loads every output, this bench loads one")
        return
    wanted = [float(f"{share * output.current_a:.12g}") for share in AVERAGE_FRAC]
    asked = [point.value for point in part.points if point.mode == "current"]
    if any(all(abs(one - value) > 1e-6 * value for one in asked) for value in wanted):
        listed = ", ".join(f'"{format_quantity(value, "A")}"' for value in wanted)
        yield ConfigError(
            path,
            "average_efficiency needs the load points 25, 50, 75 and 100 % of nominal current",
            f"currents = [{listed}]",
        )
