"""Expands a profile into a plan: every level in volts, amperes, coulombs and seconds."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from harness.profile.bench_file import BenchFile
from harness.profile.cautions import cautions
from harness.profile.check import Check
from harness.profile.forecast import Forecast, forecasts
from harness.profile.level import Level, LevelMaker
from harness.profile.load import with_limits
from harness.profile.margins import tight_levels
from harness.profile.measures import MEASURES
from harness.profile.open_points import open_points
from harness.profile.plan import Plan, PlannedStep
from harness.profile.readings import instead_of
from harness.profile.safety_checks import safety_tests
from harness.profile.schema import Profile
from harness.profile.step import Place, Rest
from harness.profile.steps import DischargeStep, LoadStep
from harness.profile.unit_at_hand import UnitAtHand, objections
from harness.quantity import format_quantity
from harness.unit.nameplate import Input

#: A hold that shows how warm a unit gets: three time constants of a usual case (common practice).
WARM_S = 1800.0

#: What the dialects can do, by role: ``measure_voltage_dc``.
Operations = Mapping[str, frozenset[str]]


def make_plan(
    profile: Profile,
    bench: BenchFile | None = None,
    *,
    window_s: float = 0.0,
    operations: Operations | None = None,
    at_hand: UnitAtHand | None = None,
) -> Plan:
    """Expand a profile into every level and hold, for a bench or for none yet.

    Without a bench the budgets know no reading errors, and no check falls away. The averaging
    window of the supply's readings ``window_s`` is the dialect's; the bench file's own goes first.
    Without ``operations`` a role that is on the bench can do everything. ``at_hand`` is the very
    unit the plan is made for, where it is known.
    """
    profile = with_limits(profile)
    envelope = profile.envelope
    if bench is not None and bench.supply.averaging_window_s is not None:
        window_s = bench.supply.averaging_window_s
    maker = LevelMaker(profile.unit.input, envelope.current_a, bench, window_s)
    most_v = _most_set_v(envelope.voltage_v, bench)
    instead = instead_of(bench, operations)
    steps = tuple(_steps(profile, bench, maker, most_v, operations, instead))
    foreseen = tuple(_foreseen(profile, bench, steps, window_s))
    safety = safety_tests(
        profile.unit,
        (check for step in steps for check in step.checks),
        None if at_hand is None else at_hand.safety_record,
    )
    return Plan(
        profile=profile,
        bench=bench,
        steps=steps,
        notes=(
            *_notes(profile, bench, steps),
            *_edge(envelope.voltage_v, most_v, steps, bench),
            *_of_switch(bench),
            *_of_power_meter(bench, instead),
            *([safety.note] if safety.note else []),
            *_missing(operations),
        ),
        cautions=cautions(profile.unit, envelope),
        duration_s=sum(level.dwell_s for step in steps for level in step.all_levels),
        safety=safety,
        instead=instead,
        open_points=open_points(profile, steps, bench, at_hand, safety, instead, foreseen),
        forecasts=foreseen,
        objections=(*_lacking(profile, operations), *objections(profile, at_hand)),
    )


def _steps(
    profile: Profile,
    bench: BenchFile | None,
    maker: LevelMaker,
    most_v: float,
    operations: Operations | None,
    instead: Mapping[str, str],
) -> Iterator[PlannedStep]:
    edge_v = profile.envelope.voltage_v * (1 + 1e-9)

    def inside(levels: Iterable[Level]) -> tuple[Level, ...]:
        """Set what stands at the envelope's edge lower; what is beyond, pre-flight refuses."""
        return tuple(
            replace(level, voltage_v=most_v) if most_v < level.voltage_v <= edge_v else level
            for level in levels
        )

    live = False
    names = _unique([step.title or step.kind for step in profile.steps])
    for number, (step, name) in enumerate(zip(profile.steps, names, strict=True), 1):
        restart = inside(step.restart(maker, live=live))
        levels = inside(step.levels(maker))
        # a load connected by hand is taken off again, power off
        by_hand = getattr(step, "load", None) is not None
        live = bool(levels) and step.place is not Place.LAST and not by_hand
        checks = [
            _expecting(check, profile.limits.source)
            for check in (*step.implied_checks(), *step.checks)
        ]
        reasons = [
            (check, _why_dropped(check, profile, bench, operations, instead)) for check in checks
        ]
        yield PlannedStep(
            number=number,
            kind=step.kind,
            name=name,
            step=step,
            levels=levels,
            checks=tuple(check for check, why in reasons if not why),
            dropped=tuple((check, why) for check, why in reasons if why),
            restart=restart,
            rest=getattr(step, "rest", None) or profile.rest,
        )


def _foreseen(
    profile: Profile, bench: BenchFile | None, steps: tuple[PlannedStep, ...], window_s: float
) -> Iterator[Forecast]:
    """Yield what can be expected of the figures of the start that checks judge."""
    start = next((step for step in steps if step.step.place is Place.START), None)
    if start is not None:
        checks = ((step.number, step.name, check) for step in steps for check in step.checks)
        line = profile.unit.input
        yield from forecasts(checks, start.levels, line, bench, window_s=window_s)


def _lacks(operations: Operations | None, role: str, operation: str) -> bool:
    return operations is not None and operation not in operations.get(role, ())


def _missing(operations: Operations | None) -> Iterator[str]:
    """Yield what falls away since the dialects do not have it."""
    if _lacks(operations, "supply", "set_voltage_protection"):
        yield (
            "The supply's dialect has no set_voltage_protection: the readings alone guard the "
            "envelope's voltage."
        )
    for role in operations or ():
        if role != "switch" and _lacks(operations, role, "error"):
            beside = " where its setting is read back" if role != "meter" else " in its readings"
            yield (
                f"The {role}'s dialect asks no error queue: a message that the {role} refuses "
                f"shows only{beside}."
            )


def _of_switch(bench: BenchFile | None) -> Iterator[str]:
    if bench is not None and bench.switch is not None:
        yield (
            "The contact in the feed is closed before the output comes on, and opened right after "
            "it was told to go off, on every way out; its state is asked each time and while power "
            "is on. Whether that comes of the contact itself (a mirror contact) or only repeats "
            "what was told stands in the manual of the switch."
        )


def _of_power_meter(bench: BenchFile | None, instead: Mapping[str, str]) -> Iterator[str]:
    if bench is None or bench.power_meter is None:
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


def _lacking(profile: Profile, operations: Operations | None) -> Iterator[str]:
    """Yield what the dialects cannot do and the plan cannot do without."""
    if profile.unit.input.kind == "ac" and _lacks(operations, "supply", "set_frequency"):
        yield "The supply's dialect has no set_frequency: an AC unit needs its frequency set."
    for step in profile.steps if operations is not None and "load" in operations else ():
        if isinstance(step, LoadStep) and step.points and step.mode != "current":
            needed = (f"{step.mode}_setting", f"set_{step.mode}")
            missing = [name for name in needed if _lacks(operations, "load", name)]
            if missing:
                yield (
                    f"The load's dialect has no {', '.join(missing)}: a load step in constant "
                    f"{step.mode} needs it."
                )


def _why_dropped(
    check: Check,
    profile: Profile,
    bench: BenchFile | None,
    operations: Operations | None,
    instead: Mapping[str, str],
) -> str:
    """Say why a bench cannot make a check; empty where it can."""
    there = {} if bench is None else bench.instruments
    needs = MEASURES[check.measure].operations(profile.unit.input.kind, has_meter="meter" in there)
    for needed, operation in needs if bench is not None else ():
        reading = f"{needed}.{operation.removeprefix('measure_')}"
        role = instead.get(reading, reading).partition(".")[0]
        if role not in there:
            return f"this bench has no {role.replace('_', ' ')}"
        if _lacks(operations, role, operation):
            return f"dialect {there[role].dialect} of the {role} has no {operation}"
    return ""


def _expecting(check: Check, source: str | None) -> Check:
    """Return a check with its limits, and their source; a question without any expects a yes."""
    if check.measure != "operator.yes_no":
        return check.model_copy(update={"source": check.source or source})
    if check.low is None and check.high is None:
        return check.model_copy(update={"low": 1.0})
    return check


def _unique(names: list[str]) -> list[str]:
    """Number the second and later of equal names: ``nominal``, ``nominal 2``."""
    taken = set(names)
    unique: list[str] = []
    for name in names:
        free = name
        if name in unique:
            numbered = (f"{name} {number}" for number in itertools.count(2))
            free = next(each for each in numbered if each not in taken)
        taken.add(free)
        unique.append(free)
    return unique


def _notes(
    profile: Profile, bench: BenchFile | None, steps: tuple[PlannedStep, ...]
) -> Iterator[str]:
    """Yield what the reader must know about the plan before power."""
    line = profile.unit.input
    if line.bulk_capacitance_f is None:
        kind = "charge" if line.kind == "dc" else "energy"
        yield (
            f"No bulk_capacitance on the nameplate: the start has no {kind} budget. Time at the "
            "current limit is bounded instead, which finds a short later."
        )
    yield from map(_rest_note, filter(lambda step: step.rest != Rest(), steps))
    for step in steps:
        yield from _start_notes(line, step)
        yield from _hold_notes(step)
    bench_known = bench is not None and bench.supply.kind == line.kind
    yield from tight_levels(profile.unit, profile.envelope, steps, bench_known=bench_known)
    for step in steps:
        note = step.step.hand_note(", ".join(level.label for level in step.restart))
        if note:
            yield f"{_named(step)}: {note}"
        if isinstance(step.step, DischargeStep) and step.step.resistor_ohm is not None:
            note = step.step.resistor_note(line.peak_factor * profile.envelope.voltage_v)
            yield f"{_named(step)}: a {note}."
    for stated, key, assumed in (
        (line.threshold, "start_threshold", format_quantity(line.start_threshold_v, "V")),
        (line.idle_power, "idle_power", format_quantity(line.idle_power_w, "W")),
    ):
        if stated is None:
            yield f"No {key} on the nameplate: taken as {assumed}."


def _named(step: PlannedStep) -> str:
    return f"Step {step.number} ({step.name})"


def _rest_note(step: PlannedStep) -> str:
    rest = step.rest
    return (
        f"{_named(step)} is at rest while its mean current moves by no more than "
        f"{format_quantity(rest.tolerance_frac, '%')} of the limit over "
        f"{format_quantity(rest.span_s, 's')}; at most {format_quantity(rest.longest_s, 's')} are "
        "waited for it."
    )


def _hold_notes(step: PlannedStep) -> Iterator[str]:
    """Say what a person is to look at meanwhile, and which hold is too short to tell of warmth."""
    by_hand = [check for check in step.checks if check.by_operator]
    if by_hand and step.levels:
        yield (
            f"{_named(step)}: look on while power is on, hands clear of what is open: "
            f"{' '.join(str(check.ask) for check in by_hand)} This is asked once power is off."
        )
    longest_s = max((level.dwell_s for level in step.levels), default=WARM_S)
    if longest_s < WARM_S and any(check.measure == "meter.temperature" for check in step.checks):
        yield (
            f"{_named(step)}: a temperature after {format_quantity(longest_s, 's', 3)} says "
            "little. A unit has warmed up after half an hour; hold a real one for that long."
        )


def _start_notes(line: Input, step: PlannedStep) -> Iterator[str]:
    """Say where a healthy unit needs more than the start's limit (safety rule 7), or goes on later.

    Source: P = V I times the power factor, textbook.
    """
    for level in step.levels:
        idle_a = line.idle_power_w / level.voltage_v / line.power_factor
        works = level.voltage_v >= line.start_threshold_v
        if step.step.place is Place.START and works and idle_a > level.current_limit_a:
            yield (
                f"{_named(step)} will not get past {level.label}: a healthy unit may draw "
                f"{format_quantity(idle_a, 'A', 3)} there, the limit is "
                f"{format_quantity(level.current_limit_a, 'A', 3)}."
            )
            return
        watched = level.budget is not None or level.time_at_limit_s is not None
        if step.step.place is Place.NOMINAL and watched:
            yield (
                f"The start ends below nominal: step {step.number} ({step.name}) takes the rest "
                f"under a limit of {format_quantity(level.current_limit_a, 'A')}."
            )


def _most_set_v(envelope_v: float, bench: BenchFile | None) -> float:
    """Return the highest voltage to set, so that the supply's readings stay inside the envelope.

    It may give so much more than it is set to, and read so much more than it gives: twice its
    stated accuracy; a power meter reads with its own. The bound itself is not moved: one reading
    outside cuts power.
    """
    if bench is None:
        return envelope_v
    error_v, reads_v = (
        0.0 if accuracy is None else accuracy.bound(envelope_v)
        for accuracy in (
            bench.supply.accuracy.get("voltage"),
            None if bench.power_meter is None else bench.power_meter.accuracy.get("voltage"),
        )
    )
    return envelope_v - (error_v + max(error_v, reads_v))


def _edge(
    envelope_v: float, most_v: float, steps: Iterable[PlannedStep], bench: BenchFile | None
) -> Iterator[str]:
    """Say where a level at the envelope's edge is set lower."""
    highest_v = max((level.voltage_v for step in steps for level in step.all_levels), default=0.0)
    lower, whose = "twice the supply's stated accuracy", "its"
    if bench is not None and bench.power_meter is not None:
        lower, whose = "by what supply and power meter may be off by", "their"
    if most_v < envelope_v and highest_v >= most_v * (1 - 1e-9):
        yield (
            f"A level at the envelope's {format_quantity(envelope_v, 'V')} is set to "
            f"{format_quantity(most_v, 'V', 5)}: {lower} lower, so that {whose} readings stay "
            "inside."
        )
