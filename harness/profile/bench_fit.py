"""What a bench can do of a profile, and what the reader must know of it (pure)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.dip_step import DipStep
from harness.profile.measures import MEASURES, Situation, role_of
from harness.profile.plan import PlannedStep
from harness.profile.schema import Profile
from harness.profile.step import AnyStep
from harness.profile.wiring import MeterPlace, Operations, Wiring, reads_in_dip, seen_from
from harness.quantity import format_quantity
from harness.unit.nameplate import Unit


def lacks(operations: Operations | None, key: str, operation: str) -> bool:
    """Whether the dialect of an instrument has an operation not; without dialects all have all."""
    return operations is not None and operation not in operations.get(key, ())


def missing(operations: Operations | None) -> Iterator[str]:
    """Yield what falls away since the dialects do not have it."""
    if operations and "supply" not in operations:
        yield (
            "A source set by hand has no protection of its own: the readings of the power meter "
            "alone guard the envelope."
        )
    elif lacks(operations, "supply", "set_voltage_protection"):
        yield (
            "The supply's dialect has no set_voltage_protection: the readings alone guard the "
            "envelope's voltage."
        )
    for key in operations or ():
        if key not in ("switch", "enable_switch") and lacks(operations, key, "error"):
            sets = role_of(key) in ("supply", "load", "aux")
            beside = " where its setting is read back" if sets else " in its readings"
            name = key.replace("_", " ")
            yield (
                f"The {name}'s dialect asks no error queue: a message that the {name} refuses "
                f"shows only{beside}."
            )


def of_switch(bench: BenchFile | None) -> Iterator[str]:
    """Say what the contact in the feed does."""
    if bench is not None and bench.switch is not None:
        if bench.by_hand is not None:
            yield (
                "The contact in the feed closes with the variable transformer at zero, and opens "
                "on every way out; its state is asked each time and while power is on, and the "
                "power meter must read nothing before it closes and after it has opened."
            )
            return
        yield (
            "The contact in the feed is closed before the output comes on, and opened right after "
            "it was told to go off, on every way out; its state is asked each time and while power "
            "is on. Whether that comes of the contact itself (a mirror contact) or only repeats "
            "what was told stands in the manual of the switch."
        )


def of_power_meter(bench: BenchFile | None, instead: Mapping[str, str]) -> Iterator[str]:
    """Say what the power meter does, and which readings it gives in the supply's place."""
    if bench is None or bench.power_meter is None:
        return
    if bench.by_hand is not None:
        return
    yield (
        "The power meter at the input is read in every hold: one reading outside the envelope cuts "
        "power, and what rests on a reading that supply and power meter disagree about is "
        "undecided."
    )
    for taken in instead:
        name = taken.partition(".")[2]
        yield (
            f"The power meter's {name} stands for the supply's in the checks: the supply does not "
            "measure it, or its accuracy is not stated."
        )


def of_leads(unit: Unit, steps: Iterable[PlannedStep]) -> Iterator[str]:
    """Say what a person moves before each step, with power off."""
    meter = load = None
    for step in steps:
        wiring, what = step.wiring, []
        if wiring.meter_at is not None and wiring.meter_at != (meter or MeterPlace()):
            meter = wiring.meter_at
            to = meter.text if meter.series else f"to the {meter.named}"
            what.append(f"the meter goes {to}")
            if meter.series:
                what.append(CURRENT_CAUTION)
        if wiring.load_at and wiring.load_at != load:
            load = wiring.load_at
            output = unit.output[load]
            what.append(f"the electronic load goes to output {load} ({output.rating})")
        if what:
            until = ", ".join(level.label for level in step.restart)
            back = f"; power comes back by {until}" if step.moves and until else ""
            yield f"Step {step.number} ({step.name}), power off: {'; '.join(what)}{back}."


def of_outputs(unit: Unit, steps: Iterable[PlannedStep]) -> Iterator[str]:
    """Say how a load is wired to a negative output, and what is drawn beside it."""
    first = next(iter(unit.output), "")
    loaded = dict.fromkeys(
        name
        for step in steps
        for name in (
            *([getattr(step.step, "output", None) or first] if step.wiring.load else []),
            *getattr(step.step, "others", {}),
        )
    )
    for name in loaded:
        if name in unit.output and unit.output[name].sign < 0:
            yield (
                f"Output {name} is negative ({unit.output[name].rating}): the plus terminal of its "
                "load goes to the return, the minus terminal to the output; no terminal of that "
                "load may be earthed."
            )
    for step in steps:
        others = getattr(step.step, "others", {})
        if others:
            told = ", ".join(f"{name} {format_quantity(a, 'A')}" for name, a in others.items())
            yield f"Step {step.number} ({step.name}) loads other outputs meanwhile: {told}."


#: What is told whenever a meter is wired for current.
CURRENT_CAUTION = (
    "THE CURRENT TERMINALS OF A METER ARE A SHORT: only ever in series, never across anything, and "
    "the lead goes back to the voltage terminal before it does"
)


def lacking(
    profile: Profile,
    steps: Iterable[PlannedStep],
    bench: BenchFile | None,
    operations: Operations | None,
) -> Iterator[str]:
    """Yield what the dialects cannot do and the plan cannot do without."""
    set_frequency = profile.fed.input.kind == "ac" and (bench is None or bench.settable)
    if set_frequency and lacks(operations, "supply", "set_frequency"):
        yield "The supply's dialect has no set_frequency: an AC unit needs its frequency set."
    for planned in steps if bench is not None and not bench.settable else ():
        if isinstance(planned.step, DipStep):
            yield (
                f"Step {planned.number} ({planned.name}): a source that is set by hand drops for "
                "no stated time: leave the dip step out on this bench."
            )
    for planned in steps if operations is not None else ():
        load = planned.wiring.load
        modes = {level.load.mode for level in planned.levels if load and level.load is not None}
        for mode in sorted(modes - {"current"}):
            absent = [
                name for name in (f"{mode}_setting", f"set_{mode}") if lacks(operations, load, name)
            ]
            if absent:
                yield (
                    f"The {load}'s dialect has no {', '.join(absent)}: a {planned.kind} step in "
                    f"constant {mode} needs it."
                )


#: What a source that is set by hand does not tell.
_NOT_BY_HAND = {
    Situation.STARTED: "the way up of a hand tells nothing of the unit",
    Situation.CYCLED: "a source that is set by hand comes back at no stated time",
}


def why_dropped(
    check: Check,
    place: MeterPlace,
    made_of: tuple[str, ...],
    wiring: Wiring,
    unit: Unit,
    bench: BenchFile | None,
    operations: Operations | None,
) -> str:
    """Say why a bench cannot make a check; empty where it can."""
    if bench is None:
        return ""
    there = bench.instruments
    if bench.by_hand is not None and MEASURES[check.measure].situations & _NOT_BY_HAND.keys():
        return _NOT_BY_HAND[next(iter(MEASURES[check.measure].situations))]
    if MEASURES[check.measure].otherwise and not wiring.load:
        why = _why_no_meter(check, place, "voltage_dc", wiring)  # in the load's place
        return f"no electronic load reads the output, and {why}" if why else ""
    has_meter = any(role_of(name.partition(".")[0]) == "meter" for name in made_of)
    for role, operation in MEASURES[check.measure].operations(unit.input.kind, has_meter=has_meter):
        quantity = operation.removeprefix("measure_")
        if role == "meter":  # one that can was looked for
            why = _why_no_meter(check, place, quantity, wiring)
            if why:
                return why
            continue
        key = wiring.load or role if role == "load" else role
        if role == "supply" and (bench.by_hand or f"power_meter.{quantity}" in made_of):
            key = "power_meter"
        if key not in there:
            return f"this bench has no {role.replace('_', ' ')}"
        if lacks(operations, key, operation):
            return f"dialect {there[key].dialect} of the {key.replace('_', ' ')} has no {operation}"
    return ""


def _why_no_meter(check: Check, place: MeterPlace, quantity: str, wiring: Wiring) -> str:
    """Say why no meter reads a quantity where a check asks for it; empty where one does."""
    places = (place, *([] if check.after is None else [MeterPlace("output", check.after)]))
    for seen in ((seen_from(each, quantity), quantity) for each in places):
        if seen not in wiring.meters:
            return wiring.problems.get(seen, "this bench has no meter")
    return ""


def too_slow_in_dip(
    check: Check, step: AnyStep, made_of: tuple[str, ...], bench: BenchFile | None
) -> str:
    """Say why a meter's readings are too far apart for a check of a dip; empty where they are not.

    One that is to lie in the drop as a whole may begin as long as another one takes after its
    begin, and the hold-up time lies anywhere in two readings, one after the other.
    """
    if bench is None or not isinstance(step, DipStep) or not reads_in_dip(check):
        return ""
    reading_s = dip_reading_s(made_of, bench)
    if reading_s is None:
        return ""
    takes, two = format_quantity(reading_s, "s", 2), format_quantity(2 * reading_s, "s", 2)
    why, take = (
        f"the meter takes {takes} for a reading",
        "take an electronic load, or a quicker meter",
    )
    if 2 * reading_s > step.duration_s:
        down = format_quantity(step.duration_s, "s")
        return f"{why}, and none may lie in a drop of {down} as a whole: {take}"
    limits = [limit for limit in (check.low, check.high) if limit is not None]
    if check.unit == "s" and min(limits, default=math.inf) < 2 * reading_s:
        return (
            f"{why}, and a limit of {format_quantity(min(limits), 's')} is finer than the {two} "
            f"that the hold-up time is known to: {take}"
        )
    return ""


def dip_reading_s(made_of: Iterable[str], bench: BenchFile) -> float | None:
    """Return how long a meter takes that reads the output in a dip; None: unknown, or none does."""
    keys = (name.partition(".")[0] for name in made_of)
    meters = (bench.all_meters[key] for key in keys if key in bench.all_meters)
    return next((meter.reading_time_s for meter in meters), None)
