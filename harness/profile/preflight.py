"""Pre-flight: what speaks against a plan before anything is energised (safety rule 1)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from harness.errors import Refused
from harness.profile.bench_file import BenchFile
from harness.profile.enable import enable_reasons
from harness.profile.instruments import Calibrated
from harness.profile.level import resistor_ohm
from harness.profile.plan import Plan, PlannedStep
from harness.profile.step import HandLoadedStep, Place
from harness.profile.wiring import reads_in_dip
from harness.quantity import format_quantity, shown
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Output

#: Settings are decimal fractions, ranges too: their rounding is no reason to refuse.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Preflight:
    """What pre-flight found, each a whole sentence."""

    reasons: tuple[str, ...]  # why the run is refused; empty where nothing speaks against it
    warnings: tuple[str, ...]  # what the operator must know and the report says


def preflight(
    plan: Plan, *, today: dt.date, identities: Mapping[str, str] | None = None
) -> Preflight:
    """Hold a plan against its bench, its calibration dates against ``today``.

    ``identities`` has the answers to ``*IDN?`` by role; left out, they are not looked at.
    """
    bench = plan.bench
    if bench is None:
        return Preflight(("There is no bench to run this plan on.",), ())
    reasons = (
        *_start_reasons(plan),
        *plan.objections,
        *_supply_reasons(plan, bench),
        *_load_reasons(plan, bench),
        *_feed_reasons(plan, bench),
        *enable_reasons(plan),
        *identity_reasons(bench, identities),
        *_calibration(plan, bench, today, refused=True),
    )
    warnings = (
        *_calibration(plan, bench, today, refused=False),
        *_overload_warnings(plan),
    )
    return Preflight(tuple(reasons), tuple(dict.fromkeys(warnings)))


def refuse(found: Preflight) -> None:
    """Raise :class:`Refused` with every reason where anything speaks against the run."""
    if found.reasons:
        raise Refused(found.reasons)


def _beyond(what: str, value: float, unit: str, most: float | None, whose: str) -> Iterator[str]:
    """Yield a reason where a value is beyond the range of an instrument; unknown is no reason."""
    if most is not None and value > most * (1 + _ROUNDING):
        quantity, limit = format_quantity(value, unit), format_quantity(most, unit)
        yield f"{what} of {quantity} is beyond the {whose}'s range of {limit}."


def _start_reasons(plan: Plan) -> Iterator[str]:
    """Power first comes by a start: the file's rules say so, and here every plan is held to it."""
    first = next((step for step in plan.steps if step.all_levels), None)
    if first is not None and first.step.place is not Place.START:
        yield (
            f"Step {first.number} ({first.name}) would be the first under power: power must first "
            "come by a current-limited start."
        )


def _supply_reasons(plan: Plan, bench: BenchFile) -> Iterator[str]:
    """Hold the envelope and every level against the supply."""
    needed, given = plan.profile.fed.input.kind, bench.gives
    if needed != given:
        takes = "The unit takes" if plan.profile.feed is None else "The profile feeds the unit with"
        yield f"{takes} {needed.upper()}, the supply gives {given.upper()}."
    envelope, supply = plan.profile.envelope, bench.supply.range
    yield from _beyond("The envelope", envelope.voltage_v, "V", supply.voltage_v, "supply")
    yield from _beyond("The envelope", envelope.current_a, "A", supply.current_a, "supply")
    yield from _beyond("The envelope", envelope.power_w, "W", supply.power_w, "supply")
    for step in plan.steps:
        for level in step.all_levels:
            where = f"in step {step.number} ({step.name}), {level.label}"
            voltage_v, limit_a = level.voltage_v, level.current_limit_a
            if voltage_v > envelope.voltage_v * (1 + _ROUNDING):
                yield f"The voltage {where} is outside the envelope."
            if limit_a > envelope.current_a * (1 + _ROUNDING):
                yield f"The current limit {where} is outside the envelope."


def _loaded(plan: Plan) -> Iterator[tuple[PlannedStep, Output, float]]:
    """Yield each step that an electronic load is on in, the output, and the largest current."""
    for step in plan.steps:
        points = [level.load for level in step.levels if level.load is not None]
        if points:
            output = step.step.loaded_output(plan.profile.unit)
            currents_a = [point.current_a(output) for point in points if point.value > 0]
            yield step, output, max(currents_a, default=0.0)


def _load_reasons(plan: Plan, bench: BenchFile) -> Iterator[str]:
    """Hold every step that loads the unit against the loads."""
    for step, output, largest_a in _loaded(plan):
        at = getattr(step.step, "output", None) or next(iter(plan.profile.unit.output))
        yield from _at_output(step, bench, step.wiring.load, at, output, largest_a)
    for step in plan.steps:
        if step.wiring.load and any(map(reads_in_dip, step.checks)):
            output = step.step.loaded_output(plan.profile.unit)
            yield from _at_output(step, bench, step.wiring.load, "", output, 0.0)
        for at, current_a in getattr(step.step, "others", {}).items():
            output = plan.profile.unit.output[at]
            yield from _at_output(step, bench, step.wiring.others[at], at, output, current_a)


def _at_output(
    step: PlannedStep, bench: BenchFile, key: str, at: str, output: Output, largest_a: float
) -> Iterator[str]:
    """Hold what is drawn at one output against the load that hangs there."""
    where = f"step {step.number} ({step.name})"
    load = bench.all_loads.get(key)
    if load is None:
        yield f"S{where[1:]} needs an electronic load, {_why_no_load(at, bench)}."
        return
    span, power_w = load.range, largest_a * output.nominal_v
    for what, value, unit, most in (
        (f"load current of {where}", largest_a, "A", span.current_a),
        (f"output voltage in {where}", output.nominal_v, "V", span.voltage_v),
        (f"load power of {where}", power_w, "W", span.power_w),
    ):
        yield from _beyond(f"The {what}", value, unit, most, key)


def _why_no_load(output: str, bench: BenchFile) -> str:
    if not bench.all_loads:
        return "this bench has none"
    wired = "; ".join(
        f"the {key} is {'moved by hand' if load.at is None else f'wired to {load.at}'}"
        for key, load in bench.all_loads.items()
    )
    return f"and none of this bench is at output {output}: {wired}"


def _feed_reasons(plan: Plan, bench: BenchFile) -> Iterator[str]:
    """Hold the envelope against what else is in the feed.

    The contact may have to break it, and a power meter beyond its range reads nothing.
    """
    envelope = plan.profile.envelope
    for whose, table in (("power meter", bench.power_meter), ("switch", bench.switch)):
        if table is not None:
            span = table.range
            yield from _beyond("The envelope", envelope.voltage_v, "V", span.voltage_v, whose)
            yield from _beyond("The envelope", envelope.current_a, "A", span.current_a, whose)
            yield from _beyond("The envelope", envelope.power_w, "W", span.power_w, whose)


def identity_reasons(bench: BenchFile, identities: Mapping[str, str] | None) -> Iterator[str]:
    """Yield what speaks against the answers to ``*IDN?`` by role; None where none was asked."""
    for key, instrument in bench.instruments.items() if identities is not None else ():
        answer = (identities or {}).get(key)
        role = key.replace("_", " ")
        if answer is None:
            yield f"The {role} ({instrument.resource}) did not say what it is."
        elif instrument.identity is not None and instrument.identity not in answer:
            yield (
                f"The {role} ({instrument.resource}) says it is {shown(answer)}; the bench file "
                f"expects {instrument.identity!r} in it."
            )


def _calibration(plan: Plan, bench: BenchFile, today: dt.date, *, refused: bool) -> Iterator[str]:
    """Yield what is to be said about calibration dates, as reasons or as warnings.

    Of the testers those count that a check of the plan is read off.
    """
    testers = {f"tester {name!r}": tester for name, tester in plan.testers.items()}
    for key, instrument in {**bench.instruments, **testers}.items():
        if not instrument.reads:
            continue
        role = key.replace("_", " ")
        due = instrument.calibration_due
        if due is None:
            if not refused:
                yield f"The bench file gives no calibration date for the {role}."
        elif due < today and refused != instrument.allow_overdue:
            yield _overdue(role, instrument, due)


def _overdue(role: str, instrument: Calibrated, due: dt.date) -> str:
    said = f"Calibration of the {role} has been overdue since {due.isoformat()}"
    if instrument.allow_overdue:
        return f"{said}; the bench file allows it (allow_overdue)."
    return f"{said}; have it calibrated, or say allow_overdue = true in the bench file."


def _loaded_by_hand(plan: Plan) -> Iterator[tuple[PlannedStep, Output, float]]:
    """Yield each step with a resistor connected by hand, the output, and what it draws there."""
    for step in plan.steps:
        load = step.step.load if isinstance(step.step, HandLoadedStep) else None
        ohm = None if load is None else resistor_ohm(load)
        if ohm is not None:
            output = step.step.loaded_output(plan.profile.unit)
            yield step, output, output.nominal_v / ohm


def _overload_warnings(plan: Plan) -> Iterator[str]:
    for step, output, largest_a in (*_loaded(plan), *_loaded_by_hand(plan)):
        if isinstance(output, ChargerOutput):
            continue  # which gives what it gives
        if largest_a > output.current_a * (1 + _ROUNDING):
            yield (
                f"Step {step.number} ({step.name}) loads {format_quantity(largest_a, 'A')}, more "
                f"than the nameplate's {format_quantity(output.current_a, 'A')}."
            )
