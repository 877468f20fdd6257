"""What the reader of a plan must know before power, beside its levels and cautions."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator

from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.dip_step import DipStep
from harness.profile.discharge_step import DischargeStep
from harness.profile.margins import tight_levels
from harness.profile.plan import PlannedStep
from harness.profile.schema import Profile
from harness.profile.start_step import StartStep
from harness.profile.step import Place, Rest
from harness.profile.wiring import reads_in_dip
from harness.quantity import format_quantity
from harness.unit.nameplate import Input, RectifiedInput

#: A hold that shows how warm a unit gets: three time constants of a usual case (common practice).
WARM_S = 1800.0


def plan_notes(
    profile: Profile, bench: BenchFile | None, steps: tuple[PlannedStep, ...]
) -> Iterator[str]:
    """Yield what the reader must know about the plan before power."""
    line = profile.fed.input
    if line.bulk_capacitance_f is None:
        kind = "charge" if line.kind == "dc" else "energy"
        yield (
            f"No bulk_capacitance on the nameplate: the start has no {kind} budget. Time at the "
            "current limit is bounded instead, which finds a short later."
        )
    if isinstance(line, RectifiedInput):
        yield _feed_note(line)
    else:
        yield from _input_notes(line, steps)
    yield from _rest_notes(steps)
    yield from _phase_notes(line, steps)
    for step in steps:
        yield from _start_notes(line, step)
        yield from _hold_notes(step)
    bench_known = bench is not None and bench.gives == line.kind
    yield from tight_levels(profile.fed, profile.envelope, steps, bench_known=bench_known)
    yield from _again_notes(steps)
    yield from _hand_notes(steps)
    for step in steps:
        yield from _kind_notes(profile, bench, step)
    for stated, key, assumed in (
        (line.threshold, "start_threshold", format_quantity(line.start_threshold_v, "V")),
        (line.idle_power, "idle_power", format_quantity(line.idle_power_w, "W")),
    ):
        if stated is None:
            yield f"No {key} on the nameplate: taken as {assumed}."


def _hand_notes(steps: tuple[PlannedStep, ...]) -> Iterator[str]:
    """Say what a person does on the way, once for all steps it is alike in."""
    alike: dict[str, list[PlannedStep]] = {}
    for step in steps:
        restart = ", ".join(level.label for level in step.restart)
        note = step.step.hand_note(restart)
        if isinstance(step.step, DischargeStep):  # without a bench nobody knows where it stands
            there = bool(step.wiring.meters) and step.wiring.meter_at is None
            note = step.step.timed_note(restart, meter_moves=not there)
        if note:
            alike.setdefault(note, []).append(step)
    for note, those in alike.items():
        named = [f"{step.number} ({step.name})" for step in those]
        yield f"Step{'s' if named[1:] else ''} {', '.join(named)}: {note}"


def _kind_notes(profile: Profile, bench: BenchFile | None, step: PlannedStep) -> Iterator[str]:
    """Say what a dip can be timed to, and what a discharge of the bulk capacitor begins at."""
    line, kind = profile.fed.input, step.step
    if isinstance(kind, DipStep):
        supply = None if bench is None else bench.settable
        reading_s = None if supply is None else supply.reading_time_s
        yield f"{_named(step)}: {kind.note(reading_s, _read_by_meter(bench, step))}"
    if not isinstance(kind, DischargeStep):
        return
    if kind.across == "bulk" and line.boosted_v:
        held = format_quantity(line.boosted_v, "V")
        yield (
            f"{_named(step)}: the bulk capacitor begins at {held}, which the boost stage holds it "
            "at: meter and leads are made for that."
        )
    if kind.resistor_ohm is not None:
        note = kind.resistor_note(line.stored_v(profile.envelope.voltage_v))
        yield f"{_named(step)}: a {note}."


def _read_by_meter(bench: BenchFile | None, step: PlannedStep) -> str:
    """Say how closely a meter sees the output in a dip; nothing where none reads it."""
    read = {
        name.partition(".")[0]
        for check in (*step.checks, *(check for check, _ in step.dropped))
        if reads_in_dip(check)
        for name in step.made_of[check.name]
    }
    meters = [] if bench is None else [bench.all_meters[key] for key in read & {*bench.all_meters}]
    if not meters:
        return ""
    told = (
        ". The meter reads the output meanwhile, as fast as it answers. Each reading is a mean "
        "over most of the time that it takes: what falls for a shorter time shows less deep"
    )
    reading_s = meters[0].reading_time_s
    if reading_s is None:
        return (
            f"{told}. How long it takes is not in the bench file (reading_time, which softwake "
            "bench measures): the hold-up time lies in two readings, one after the other"
        )
    takes, known = format_quantity(reading_s, "s", 2), format_quantity(2 * reading_s, "s", 2)
    return f"{told}. It takes {takes} for one: the hold-up time lies in an interval of {known}"


def _input_notes(line: Input, steps: tuple[PlannedStep, ...]) -> Iterator[str]:
    """Say which end of a nominal range is never reached, and what a boost stage takes at once."""
    levels_v = [level.voltage_v for step in steps for level in step.all_levels]
    for end_v in (line.low_nominal_v, line.nominal_v) if line.has_range and levels_v else ():
        near_v = 0.5 * line.tolerance_frac * end_v
        if not any(abs(voltage_v - end_v) <= near_v for voltage_v in levels_v):
            yield (
                f"No step holds {format_quantity(end_v, 'V')}: the unit is not shown to work at "
                f"that end of its {line.nominal}."
            )
    for step in (step for step in steps if step.step.place is Place.START):
        for level in step.levels:
            budget = level.budget
            if budget is None or not budget.boosted_v or level.voltage_v < budget.threshold_v:
                continue
            boost_j = budget.boost_j(level.voltage_v)
            least_s = boost_j / (level.voltage_v * level.current_limit_a)
            yield (
                f"{_named(step)}, {level.label}: the boost stage lifts the bulk capacitor to "
                f"{format_quantity(budget.boosted_v, 'V', 3)} here, which takes "
                f"{format_quantity(boost_j, 'J', 3)} in one go and "
                f"{format_quantity(least_s, 's', 2)} at the current limit. It is allowed once, and "
                f"only while {format_quantity(budget.threshold_v, 'V', 3)} or more are read."
            )
            break


def _again_notes(steps: tuple[PlannedStep, ...]) -> Iterator[str]:
    """Say what comes before each start that is not the first."""
    starts = [(step, step.step) for step in steps if isinstance(step.step, StartStep)]
    for (_, before), (step, start) in itertools.pairwise(starts):
        leads_change = before.polarity != start.polarity
        yield f"{_named(step)}: {start.again_note(leads_change=leads_change)}"


def _feed_note(line: RectifiedInput) -> str:
    """Say what an AC unit does on DC, and what that leaves open."""
    threshold_v, nominal_v = line.start_threshold_v, line.low_nominal_v
    return (
        f"Fed with DC: shares are of {format_quantity(nominal_v, 'V', 3)}, the peak of the "
        f"nominal {format_quantity(line.rms_v(nominal_v), 'V')}, so that the bulk capacitor "
        "stands as high as on AC at the same share. The unit begins to work at "
        f"{format_quantity(threshold_v, 'V', 3)} DC (start_threshold, "
        f"{format_quantity(line.rms_v(threshold_v), 'V', 3)} rms): below it nothing but charge and "
        "leakage flows. Two of the bridge's four diodes carry the current."
    )


def _named(step: PlannedStep) -> str:
    return f"Step {step.number} ({step.name})"


def _rest_notes(steps: Iterable[PlannedStep]) -> Iterator[str]:
    """Say what counts as at rest where that is not the usual, once for all steps it is alike in."""
    powered = [step for step in steps if step.levels]
    rests = dict.fromkeys(step.rest for step in powered)
    for rest in rests:
        if rest == Rest():
            continue
        names = [_named(step) for step in powered if step.rest == rest]
        who = "Every step" if len(rests) == 1 else ", ".join(names)
        verb = "are" if len(rests) > 1 and len(names) > 1 else "is"
        yield (
            f"{who} {verb} at rest while the mean current moves by no more than "
            f"{format_quantity(rest.tolerance_frac, '%')} of the limit over "
            f"{format_quantity(rest.span_s, 's')}; at most {format_quantity(rest.longest_s, 's')} "
            "are waited for it."
        )


def _phase_notes(line: Input, steps: tuple[PlannedStep, ...]) -> Iterator[str]:
    """Say what is known of a unit that works in phases, and how long its windows hold it."""
    if line.busy_power_w is not None:
        boot = ""
        if line.boot_time_s is not None:
            boot = (
                f" It boots for {format_quantity(line.boot_time_s, 's', 3)} at most, and nothing "
                "has to be at rest before that."
            )
        yield (
            f"The unit works in phases: by itself it draws up to "
            f"{format_quantity(line.busy_power_w, 'W', 3)}, which a start allows.{boot}"
        )
    for step in steps:
        longest_s = max(
            (check.to_s or 0.0 for check in step.checks if check.is_windowed), default=0
        )
        if longest_s:
            since = "each level is set, with its load"
            if step.kind == "start":
                since = "the level at which the unit begins to work is set"
            yield (
                f"{_named(step)}: what it draws is judged in windows of time, from when "
                f"{since}; it is held for {format_quantity(longest_s, 's', 3)} from then."
            )


def _hold_notes(step: PlannedStep) -> Iterator[str]:
    """Say what a person is to look at meanwhile, and which hold is too short to tell of warmth."""
    by_hand = [check for check in step.checks if check.by_operator]
    if by_hand and step.levels:
        yield (
            f"{_named(step)}: look on while power is on, hands clear of what is open: "
            f"{' '.join(str(check.ask) for check in by_hand)} {_when_asked(by_hand)}"
        )
    longest_s = max((level.dwell_s for level in step.levels), default=WARM_S)
    if longest_s < WARM_S and any(check.measure == "meter.temperature" for check in step.checks):
        yield (
            f"{_named(step)}: a temperature after {format_quantity(longest_s, 's', 3)} says "
            "little. A unit has warmed up after half an hour; hold a real one for that long."
        )


def _when_asked(checks: list[Check]) -> str:
    live = [check for check in checks if check.under_power]
    if not live:
        return "This is asked once power is off."
    longest_s = max(check.answer_s for check in live)
    what = "This" if len(live) == len(checks) else "Some of it, the rest once power is off,"
    return (
        f"{what} is asked WHILE POWER IS ON, after the hold: within "
        f"{format_quantity(longest_s, 's', 3)} each, or power is cut. Read a thermometer or an "
        "instrument made for live parts, and touch nothing."
    )


def _start_notes(line: Input, step: PlannedStep) -> Iterator[str]:
    """Say where a healthy unit needs more than the start's limit (safety rule 7), or goes on later.

    Source: P = V I times the power factor, textbook.
    """
    for level in step.levels:
        idle_a = line.own_power_w / level.voltage_v / line.power_factor
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
            why = "The start ends below nominal"
            if getattr(step.step, "nominal_v", None) is not None:
                why = f"The line rises to {format_quantity(level.voltage_v, 'V')}"
            yield (
                f"{why}: step {step.number} ({step.name}) takes the rest "
                f"under a limit of {format_quantity(level.current_limit_a, 'A')}."
            )


def edge_notes(
    envelope_v: float, most_v: float, steps: Iterable[PlannedStep], bench: BenchFile | None
) -> Iterator[str]:
    """Say where a level at the envelope's edge is set lower."""
    highest_v = max((level.voltage_v for step in steps for level in step.all_levels), default=0.0)
    lower, whose = "twice the supply's stated accuracy", "its"
    if bench is not None and bench.power_meter is not None:
        lower, whose = "by what supply and power meter may be off by", "their"
        if bench.by_hand is not None:
            lower, whose = "by what a hand and the power meter may be off by", "its"
    if most_v < envelope_v and highest_v >= most_v * (1 - 1e-9):
        yield (
            f"A level at the envelope's {format_quantity(envelope_v, 'V')} is set to "
            f"{format_quantity(most_v, 'V', 5)}: {lower} lower, so that {whose} readings stay "
            "inside."
        )
