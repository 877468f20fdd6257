"""Expands a profile into a plan: every level in volts, amperes, coulombs and seconds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from harness.profile.bench_file import BenchFile
from harness.profile.cautions import cautions
from harness.profile.check import Check
from harness.profile.level import Level
from harness.profile.levels import LevelMaker
from harness.profile.limits import with_limits
from harness.profile.margins import tight_levels
from harness.profile.measures import MEASURES
from harness.profile.plan import Plan, PlannedStep
from harness.profile.rest import Rest
from harness.profile.schema import Profile
from harness.profile.step import AnyStep, Place
from harness.profile.steps import LoadStep
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput

#: What the dialects can do, by role.
Operations = Mapping[str, frozenset[str]]


def make_plan(
    profile: Profile,
    bench: BenchFile | None = None,
    *,
    window_s: float = 0.0,
    operations: Operations | None = None,
) -> Plan:
    """Expand a profile into every level and hold, for a bench or for none yet.

    Args:
        profile: The profile.
        bench: The bench; without one the budgets know no reading errors, and no check falls away.
        window_s: Averaging window of the supply's readings in seconds, the dialect's; the bench
            file's own goes first. An AC input counts one period of the mains at least.
        operations: Names of the operations each role's dialect has, such as
            ``measure_voltage_dc``. Left out, a role that is on the bench can do everything.
    """
    profile = with_limits(profile)
    expander = _Expander(profile, bench, window_s, operations)
    steps = tuple(expander.steps())
    return Plan(
        profile=profile,
        bench=bench,
        steps=steps,
        notes=(
            *_notes(profile, bench, steps),
            *_edge(profile, bench, steps),
            *expander.unprotected(),
        ),
        cautions=cautions(profile.unit, profile.envelope),
        duration_s=sum(level.dwell_s for step in steps for level in step.all_levels),
        open_points=tuple(_open_points(steps, bench)),
        lacking=tuple(expander.lacking()),
    )


class _Expander:
    """Walks the steps in order."""

    def __init__(
        self,
        profile: Profile,
        bench: BenchFile | None,
        window_s: float,
        operations: Operations | None,
    ) -> None:
        self._profile = profile
        self._input = profile.unit.input
        self._bench = bench
        self._operations = operations
        own_window_s = bench.supply.averaging_window_s if bench is not None else None
        window_s = window_s if own_window_s is None else own_window_s
        self._maker = LevelMaker(self._input, profile.envelope.current_a, bench, window_s)
        self._live = False

    def steps(self) -> Iterator[PlannedStep]:
        """Yield every step in numbers."""
        names = _unique([step.title or step.kind for step in self._profile.steps])
        for number, (step, name) in enumerate(zip(self._profile.steps, names, strict=True), 1):
            restart = self._inside(self._restart(step))
            levels = self._inside(step.levels(self._maker))
            off = step.place is Place.LAST or step.load_by_hand is not None
            self._live = bool(levels) and not off
            checks = (*step.implied_checks(), *map(_expecting, step.checks))
            reasons = [(check, self._why_dropped(check)) for check in checks]
            yield PlannedStep(
                number=number,
                kind=step.kind,
                name=name,
                step=step,
                levels=levels,
                checks=tuple(check for check, why in reasons if not why),
                dropped=tuple((check, why) for check, why in reasons if why),
                restart=restart,
                rest=getattr(step, "rest", None) or self._profile.rest,
            )

    def _restart(self, step: AnyStep) -> Iterator[Level]:
        """Yield the levels that bring power back, where a step finds it off or has it put off."""
        limit_a: float | None = getattr(step, "current_limit_a", None)
        frequency_hz: float | None = getattr(step, "frequency_hz", None)
        if step.load_by_hand is not None:
            yield from self._maker.below_threshold(frequency_hz)
        elif step.moves_leads or (step.place is not Place.START and not self._live):
            yield from self._maker.again(limit_a, frequency_hz)

    def _inside(self, levels: Iterable[Level]) -> tuple[Level, ...]:
        """Set what stands at the envelope's edge lower, so that its readings stay inside.

        The supply may give so much more than it is set to, and read so much more than it gives:
        twice its stated accuracy. The bound itself is not moved: one reading outside cuts power. A
        level beyond the bound stays as it is, for pre-flight to refuse.
        """
        most_v = _most_set_v(self._profile, self._bench)
        edge_v = self._profile.envelope.voltage_v * (1 + 1e-9)
        return tuple(
            replace(level, voltage_v=most_v) if most_v < level.voltage_v <= edge_v else level
            for level in levels
        )

    def lacking(self) -> Iterator[str]:
        """Yield what the supply's dialect cannot do and the plan cannot do without."""
        if isinstance(self._input, AcInput) and self._supply_lacks("set_frequency"):
            yield "The supply's dialect has no set_frequency: an AC unit needs its frequency set."
        load = None if self._operations is None else self._operations.get("load")
        for step in self._profile.steps:
            if load is not None and isinstance(step, LoadStep) and step.points:
                needed = {f"set_{step.mode}", f"{step.mode}_setting"}
                missing = ", ".join(sorted(needed - load))
                if missing and step.mode != "current":
                    yield (
                        f"The load's dialect has no {missing}: a load step in constant "
                        f"{step.mode} needs it."
                    )

    def unprotected(self) -> Iterator[str]:
        """Yield a note where the supply cannot guard the envelope's voltage by itself."""
        if self._supply_lacks("set_voltage_protection"):
            yield (
                "The supply's dialect has no set_voltage_protection: the readings alone guard "
                "the envelope's voltage."
            )

    def _supply_lacks(self, operation: str) -> bool:
        return self._operations is not None and operation not in self._operations.get("supply", ())

    def _why_dropped(self, check: Check) -> str:
        """Say why this bench cannot make a check; empty where it can."""
        if self._bench is None:
            return ""
        there = self._bench.instruments
        measure, has_meter = MEASURES[check.measure], "meter" in there
        for role, operation in measure.operations(self._input.kind, has_meter=has_meter):
            if role not in there:
                return f"this bench has no {role}"
            if self._operations is not None and operation not in self._operations.get(role, ()):
                dialect = there[role].dialect
                return f"dialect {dialect} of the {role} has no {operation}"
        return ""


def _expecting(check: Check) -> Check:
    """Return a check with its limits; a question without any expects a yes."""
    if check.measure == "operator.yes_no" and check.low is None and check.high is None:
        return check.model_copy(update={"low": 1.0})
    return check


def _stuck(profile: Profile, step: PlannedStep) -> Iterator[str]:
    """Yield a note where a healthy unit would need more than the start's limit (safety rule 7).

    Source: P = V I; the power factor of a capacitor-input rectifier is 0.5 to 0.7, common
        practice; the low end counts.
    """
    unit_input = profile.unit.input
    power_factor = 0.5 if isinstance(unit_input, AcInput) else 1.0
    for level in step.levels if step.step.place is Place.START else ():
        idle_a = unit_input.idle_power_w / level.voltage_v / power_factor
        if level.voltage_v >= unit_input.start_threshold_v and idle_a > level.current_limit_a:
            yield (
                f"Step {step.number} ({step.name}) will not get past {level.label}: a healthy unit "
                f"may draw {format_quantity(idle_a, 'A', 3)} there, the limit is "
                f"{format_quantity(level.current_limit_a, 'A', 3)}."
            )
            return


def _unique(names: list[str]) -> list[str]:
    """Number the second and later of equal names: ``nominal``, ``nominal 2``."""
    seen: Counter[str] = Counter()
    taken = set(names)
    unique = []
    for name in names:
        seen[name] += 1
        candidate = name
        while seen[name] > 1 and (candidate == name or candidate in taken):
            candidate = f"{name} {seen[name]}"
            seen[name] += candidate in taken
        taken.add(candidate)
        unique.append(candidate)
    return unique


def _notes(
    profile: Profile, bench: BenchFile | None, steps: tuple[PlannedStep, ...]
) -> Iterator[str]:
    """Yield what the reader must know about the plan before power."""
    unit_input = profile.unit.input
    if unit_input.bulk_capacitance_f is None:
        kind = "charge" if unit_input.kind == "dc" else "energy"
        yield (
            f"No bulk_capacitance on the nameplate: the start has no {kind} budget. Time at the "
            "current limit is bounded instead, which finds a short later."
        )
    yield from map(_rest_note, filter(lambda step: step.rest != Rest(), steps))
    for step in steps:
        yield from _stuck(profile, step)
        for level in step.levels if step.step.place is Place.NOMINAL else ():
            if level.budget is not None or level.time_at_limit_s is not None:
                yield (
                    f"The start ends below nominal: step {step.number} ({step.name}) takes the "
                    f"rest under a limit of {format_quantity(level.current_limit_a, 'A')}."
                )
    yield from tight_levels(
        profile.unit,
        profile.envelope,
        steps,
        bench_known=bench is not None and bench.supply.kind == unit_input.kind,
    )
    for step in steps:
        note = step.step.hand_note(", ".join(level.label for level in step.restart))
        if note:
            yield f"Step {step.number} ({step.name}): {note}"
    if profile.limits_used is not None:
        yield from profile.limits_used.notes
    if unit_input.threshold is None:
        assumed = format_quantity(unit_input.start_threshold_v, "V")
        yield f"No start_threshold on the nameplate: taken as {assumed}."
    if unit_input.idle_power is None:
        assumed = format_quantity(unit_input.idle_power_w, "W")
        yield f"No idle_power on the nameplate: taken as {assumed}."


def _rest_note(step: PlannedStep) -> str:
    rest = step.rest
    return (
        f"Step {step.number} ({step.name}) is at rest while its mean current moves by no more than "
        f"{format_quantity(rest.tolerance_frac, '%')} of the limit over "
        f"{format_quantity(rest.span_s, 's')}; at most {format_quantity(rest.longest_s, 's')} are "
        "waited for it."
    )


def _most_set_v(profile: Profile, bench: BenchFile | None) -> float:
    """Return the highest voltage to set, so that the supply's errors stay inside the envelope."""
    envelope_v = profile.envelope.voltage_v
    accuracy = None if bench is None else bench.supply.accuracy.get("voltage")
    return envelope_v - (0.0 if accuracy is None else 2 * accuracy.bound(envelope_v))


def _edge(
    profile: Profile, bench: BenchFile | None, steps: tuple[PlannedStep, ...]
) -> Iterator[str]:
    """Say where a level at the envelope's edge is set lower."""
    most_v = _most_set_v(profile, bench)
    highest_v = max((level.voltage_v for step in steps for level in step.all_levels), default=0.0)
    if (
        bench is not None
        and most_v < profile.envelope.voltage_v
        and highest_v >= most_v * (1 - 1e-9)
    ):
        yield (
            f"A level at the envelope's {format_quantity(profile.envelope.voltage_v, 'V')} is set "
            f"to {format_quantity(most_v, 'V', 5)}: twice the supply's stated accuracy lower, so "
            "that its readings stay inside."
        )


def _open_points(steps: Iterable[PlannedStep], bench: BenchFile | None) -> Iterator[str]:
    """Yield what keeps a run from releasing the unit, whatever is measured: the one list of it."""
    for step in steps:
        for check, why in step.dropped:
            yield f"{_named(check, step)}: {why}"
        for check in step.checks if bench is not None else ():
            assert bench is not None
            made_of = MEASURES[check.measure].readings(has_meter=bench.meter is not None)
            unknown = [name for name in made_of if not _has_accuracy(name, bench)]
            # without an accuracy there is no uncertainty: a guarded check proves nothing
            if unknown and check.rule == "guarded":
                yield (
                    f"{_named(check, step)}: the bench file gives no accuracy for "
                    f"{', '.join(unknown)}"
                )


def _named(check: Check, step: PlannedStep) -> str:
    return f"check {check.name!r} of step {step.number} ({step.name})"


def _has_accuracy(reading: str, bench: BenchFile) -> bool:
    """Whether a reading has a known accuracy; power may follow from volts and amperes."""
    measure = MEASURES[reading]
    given = bench.instruments[measure.source].accuracy
    derived = measure.quantity == "power" and (measure.source, bench.supply.kind) != (
        "supply",
        "ac",
    )
    return measure.quantity in given or (derived and {"voltage", "current"} <= given.keys())
