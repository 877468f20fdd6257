"""Expands a profile into a plan: every level in volts, amperes, coulombs and seconds."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from harness.profile.bench_file import BenchFile
from harness.profile.bench_fit import (
    lacking,
    missing,
    of_leads,
    of_outputs,
    of_power_meter,
    of_switch,
    too_slow_in_dip,
    why_dropped,
)
from harness.profile.by_hand import (
    band_v,
    hand_notes,
    hand_objections,
    hand_open_points,
    lamp_in,
    turned,
)
from harness.profile.cautions import cautions
from harness.profile.check import Check
from harness.profile.discharge_forecast import discharge_forecasts
from harness.profile.discharge_step import DischargeStep
from harness.profile.enable import enable_notes, enable_way
from harness.profile.forecast import Forecast, forecasts
from harness.profile.level import Level, LevelMaker
from harness.profile.load import with_limits
from harness.profile.open_points import open_points
from harness.profile.plan import Plan, PlannedStep
from harness.profile.plan_notes import edge_notes, plan_notes
from harness.profile.readings import instead_of, readings_of
from harness.profile.safety_checks import safety_tests
from harness.profile.schema import Profile
from harness.profile.step import HandLoadedStep, Place
from harness.profile.unit_at_hand import UnitAtHand, objections
from harness.profile.waking import wake_notes, woken
from harness.profile.window_rules import unseen
from harness.profile.wiring import Operations, Stands, Wiring, place_of, wirings_of


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
    if bench is not None and bench.feed.averaging_window_s is not None:
        window_s = bench.feed.averaging_window_s
    maker = LevelMaker(profile.fed.input, envelope.current_a, bench, window_s)
    most_v = _most_set_v(envelope.voltage_v, bench)
    instead = instead_of(bench, operations)
    steps = tuple(_steps(profile, bench, maker, most_v, window_s, operations, instead))
    foreseen = tuple(_foreseen(profile, bench, steps, window_s, operations))
    way = enable_way(profile, bench)
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
            *plan_notes(profile, bench, steps),
            *edge_notes(envelope.voltage_v, most_v, steps, bench),
            *of_switch(bench),
            *of_power_meter(bench, instead),
            *hand_notes(profile.fed, steps, bench),
            *of_leads(profile.unit, steps),
            *of_outputs(profile.unit, steps),
            *enable_notes(profile, steps, way),
            *wake_notes(profile, steps),
            *([safety.note] if safety.note else []),
            *missing(operations),
        ),
        cautions=cautions(profile),
        enable_way=way,
        averaged_s=window_s,
        duration_s=sum(level.dwell_s for step in steps for level in step.all_levels),
        safety=safety,
        open_points=(
            *open_points(profile, steps, bench, at_hand, safety, foreseen),
            *hand_open_points(bench),
        ),
        forecasts=foreseen,
        objections=(
            *lacking(profile, steps, bench, operations),
            *hand_objections(steps, bench, profile.fed.input, envelope.voltage_v),
            *objections(profile, at_hand),
        ),
    )


def _steps(
    profile: Profile,
    bench: BenchFile | None,
    maker: LevelMaker,
    most_v: float,
    averaged_s: float,
    operations: Operations | None,
    instead: Mapping[str, str],
) -> Iterator[PlannedStep]:
    edge_v = profile.envelope.voltage_v * (1 + 1e-9)

    def inside(levels: Iterable[Level]) -> tuple[Level, ...]:
        """Set what stands at the envelope's edge lower; what is beyond, pre-flight refuses."""
        lower = (
            replace(level, voltage_v=most_v) if most_v < level.voltage_v <= edge_v else level
            for level in levels
        )
        if hand is None:
            return tuple(lower)
        envelope_v = profile.envelope.voltage_v
        return tuple(turned(level, hand, profile.fed.input, envelope_v) for level in lower)

    live = False
    unit, stands, enabled = profile.fed, Stands(), False
    way = enable_way(profile, bench)
    own_steps = woken(profile.steps, by_aux=way == "aux" and unit.enable is None)
    hand = None if bench is None else bench.by_hand
    lamp = None if hand is None or hand.lamp is None else True
    names = _unique([step.title or step.kind for step in own_steps])
    every = [
        [
            _expecting(check, profile.limits.source)
            for check in (*step.implied_checks(), *step.checks)
        ]
        for step in own_steps
    ]
    wirings = [Wiring()] * len(names)
    if bench is not None:
        wirings = wirings_of(zip(own_steps, every, strict=True), unit, bench, operations)
    planned = zip(own_steps, names, every, wirings, strict=True)
    for number, (step, name, checks, wiring) in enumerate(planned, 1):
        enable = getattr(step, "woken", False)
        if unit.enable is not None:
            enable = getattr(step, "enable", None)
        enabled = enabled if enable is None or step.place is Place.BEFORE_POWER else enable
        stands, moves = stands.moved(step, wiring, pulled=enabled and way == "hand")
        bridged = lamp is True and not lamp_in(step, unit.input, hand)  # and it stays so
        lamp = False if bridged else lamp
        moves = moves or (live and bridged)
        # without a bench nobody knows where a meter stands: at an output
        moves = moves or (bench is None and live and getattr(step, "across", "output") != "output")
        restart = inside(step.restart(maker, live=live and not moves))
        levels = inside(step.levels(maker))
        # a load connected by hand is taken off again, power off
        if isinstance(step, HandLoadedStep):
            levels = tuple(step.connected(levels, profile.fed.input.boot_time_s or 0.0))
        ends_off = getattr(step, "ends_off", False)
        live = bool(levels) and step.place is not Place.LAST and not ends_off
        placed = ((check, place_of(check, step, unit)) for check in checks)
        wired = [
            (check, place, readings_of(check, place, wiring, instead)) for check, place in placed
        ]
        reasons = [
            (
                check,
                why_dropped(check, place, made_of, wiring, unit, bench, operations)
                or unseen(check, averaged_s)
                or too_slow_in_dip(check, step, made_of, bench),
            )
            for check, place, made_of in wired
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
            wiring=wiring,
            made_of={check.name: made_of for check, _, made_of in wired},
            moves=moves,
            enable=enabled,
            lamp=lamp,
        )


def _foreseen(
    profile: Profile,
    bench: BenchFile | None,
    steps: tuple[PlannedStep, ...],
    window_s: float,
    operations: Operations | None,
) -> Iterator[Forecast]:
    """Yield what can be expected of the figures of start and discharge that checks judge.

    What comes after a start is judged by its levels, until the next one.
    """
    start: PlannedStep | None = None
    line = profile.fed.input
    for step in steps:
        if step.step.place is Place.START:
            start = step
            stated_v = getattr(start.step, "nominal_v", None)
            line = profile.fed.input.at(stated_v or profile.fed.input.low_nominal_v)
        if start is None or bench is None:
            continue
        checks = [(step.number, step.name, check) for check in step.checks]
        yield from forecasts(
            checks, start.levels, line, bench, window_s=window_s, operations=operations
        )
        meters = step.wiring.meters.items()
        key = next((key for (_, name), key in meters if name == "voltage_dc"), "")
        if key and isinstance(step.step, DischargeStep):
            yield from discharge_forecasts(checks, step.step, line, bench.all_meters[key])


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
            bench.feed.accuracy.get("voltage"),
            None if bench.power_meter is None else bench.power_meter.accuracy.get("voltage"),
        )
    )
    if bench.by_hand is not None:  # nobody sets a hand's source to the volt
        return envelope_v - reads_v - band_v(envelope_v)
    return envelope_v - (error_v + max(error_v, reads_v))
