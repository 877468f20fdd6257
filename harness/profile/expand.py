"""Expands a profile into a plan: every level in volts, amperes, coulombs and seconds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

from harness.profile.bench_file import Accuracy, BenchFile
from harness.profile.cautions import cautions
from harness.profile.measures import MEASURES
from harness.profile.plan import Budget, Level, Plan, PlannedStep
from harness.profile.schema import Check, LoadStep, NominalStep, Profile, StartStep, Step
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput

__all__ = ["make_plan"]

#: What the dialects can do, by role.
Operations = Mapping[str, frozenset[str]]

_EXACT = Accuracy(0.0, 0.0)


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
    expander = _Expander(profile, bench, window_s, operations)
    steps = tuple(expander.steps())
    return Plan(
        profile=profile,
        bench=bench,
        steps=steps,
        notes=(*_notes(profile, steps), *expander.unprotected()),
        cautions=cautions(profile.unit, profile.envelope),
        duration_s=sum(level.dwell_s for step in steps for level in step.levels),
        lacking=tuple(expander.lacking()),
    )


class _Expander:
    """Walks the steps in order and remembers the voltage that was reached."""

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
        self._window_s = window_s if own_window_s is None else own_window_s
        self._reached_v = 0.0

    def steps(self) -> Iterator[PlannedStep]:
        """Yield every step in numbers."""
        names = _unique([step.title or step.kind for step in self._profile.steps])
        for number, (step, name) in enumerate(zip(self._profile.steps, names, strict=True), 1):
            levels = tuple(self._levels(step))
            reasons = [(check, self._why_dropped(check)) for check in step.checks]
            yield PlannedStep(
                number=number,
                kind=step.kind,
                name=name,
                step=step,
                levels=levels,
                checks=tuple(check for check, why in reasons if not why),
                dropped=tuple((check, why) for check, why in reasons if why),
            )

    def lacking(self) -> Iterator[str]:
        """Yield what the supply's dialect cannot do and the plan cannot do without."""
        if isinstance(self._input, AcInput) and self._supply_lacks("set_frequency"):
            yield "The supply's dialect has no set_frequency: an AC unit needs its frequency set."

    def unprotected(self) -> Iterator[str]:
        """Yield a note where the supply cannot guard the envelope's voltage by itself."""
        if self._supply_lacks("set_voltage_protection"):
            yield (
                "The supply's dialect has no set_voltage_protection: the readings alone guard "
                "the envelope's voltage."
            )

    def _supply_lacks(self, operation: str) -> bool:
        return self._operations is not None and operation not in self._operations.get("supply", ())

    def _levels(self, step: Step) -> Iterator[Level]:
        match step:
            case StartStep():
                yield from self._start_levels(step)
            case NominalStep():
                yield self._nominal_level(step)
            case LoadStep():
                yield from self._load_levels(step)

    def _start_levels(self, step: StartStep) -> Iterator[Level]:
        frequency_hz = self._frequency_hz(step)
        self._reached_v = 0.0  # every start begins with the output off
        for level_frac in step.levels_frac:
            voltage_v = _rounded(level_frac * self._input.nominal_v)
            budget = self._budget(voltage_v, step.charge_factor, frequency_hz)
            yield Level(
                label=format_quantity(level_frac, "%"),
                voltage_v=voltage_v,
                current_limit_a=step.current_limit_a,
                dwell_s=step.dwell_s,
                frequency_hz=frequency_hz,
                budget=budget,
                time_at_limit_s=step.time_at_limit_s if budget is None else None,
            )
            self._reached_v = voltage_v

    def _nominal_level(self, step: NominalStep) -> Level:
        """Return nominal voltage; after a start that ended below it, the rest is watched too."""
        frequency_hz = self._frequency_hz(step)
        nominal_v = self._input.nominal_v
        rises = self._reached_v < nominal_v
        budget = (
            self._budget(nominal_v, _last_factor(self._profile), frequency_hz) if rises else None
        )
        self._reached_v = nominal_v
        return Level(
            label="nominal",
            voltage_v=nominal_v,
            current_limit_a=self._limit_a(step),
            dwell_s=step.dwell_s,
            frequency_hz=frequency_hz,
            budget=budget,
            time_at_limit_s=_last_time_s(self._profile) if rises and budget is None else None,
        )

    def _load_levels(self, step: LoadStep) -> Iterator[Level]:
        for current_a in step.currents_a:
            yield Level(
                label=format_quantity(current_a, "A"),
                voltage_v=self._input.nominal_v,
                current_limit_a=self._limit_a(step),
                dwell_s=step.dwell_s,
                frequency_hz=self._frequency_hz(step),
                load_current_a=current_a,
            )

    def _limit_a(self, step: NominalStep | LoadStep) -> float:
        limit_a = step.current_limit_a
        return self._profile.envelope.current_a if limit_a is None else limit_a

    def _frequency_hz(self, step: Step) -> float | None:
        if not isinstance(self._input, AcInput):
            return None
        return self._input.frequency_hz[0] if step.frequency_hz is None else step.frequency_hz

    def _budget(self, to_v: float, factor: float, frequency_hz: float | None) -> Budget | None:
        """Return what a healthy unit may take on the way to ``to_v``; None without capacitance."""
        capacitance_f = self._input.bulk_capacitance_f
        if capacitance_f is None:
            return None
        accuracy = self._bench.supply.accuracy if self._bench is not None else {}
        voltage, current = accuracy.get("voltage", _EXACT), accuracy.get("current", _EXACT)
        period_s = 0.0 if frequency_hz is None else 1 / frequency_hz
        return Budget(
            kind="charge" if frequency_hz is None else "energy",
            capacitance_f=capacitance_f,
            peak_factor=self._input.peak_factor,
            charge_factor=factor,
            from_v=self._reached_v,
            to_v=to_v,
            idle_power_w=self._input.idle_power_w,
            threshold_v=self._input.start_threshold_v,
            leakage_a=self._input.leakage_a,
            # The budget knows a share only: the fixed part counts as its share of this level.
            voltage_error_frac=voltage.bound(to_v) / to_v,
            current_error_a=current.fixed,
            current_error_frac=current.reading_frac,
            window_s=max(self._window_s, period_s),
        )

    def _why_dropped(self, check: Check) -> str:
        """Say why this bench cannot make a check; empty where it can."""
        if self._bench is None:
            return ""
        there = self._bench.instruments
        needs = MEASURES[check.measure].operations(self._input.kind)
        if check.measure == "load_regulation" and "meter" in there:
            # The meter is the better voltmeter, and sits where the leads do not count.
            needs = (*needs, ("meter", "measure_voltage_dc"))
        for role, operation in needs:
            if role not in there:
                return f"this bench has no {role}"
            if self._operations is not None and operation not in self._operations.get(role, ()):
                dialect = there[role].dialect
                return f"dialect {dialect} of the {role} has no {operation}"
        return ""


def _rounded(value: float) -> float:
    """Return a product of decimal fractions as people write it: 2.4, not 2.4000000000000004."""
    return float(f"{value:.12g}")


def _stuck(profile: Profile, step: PlannedStep) -> Iterator[str]:
    """Yield a note where a healthy unit would need more than the start's limit (safety rule 7).

    Source: P = V I; the power factor of a capacitor-input rectifier is 0.5 to 0.7, common
        practice; the low end counts.
    """
    unit_input = profile.unit.input
    power_factor = 0.5 if isinstance(unit_input, AcInput) else 1.0
    for level in step.levels if step.kind == "start" else ():
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


def _last_factor(profile: Profile) -> float:
    return _starts(profile)[-1].charge_factor


def _last_time_s(profile: Profile) -> float:
    return _starts(profile)[-1].time_at_limit_s


def _starts(profile: Profile) -> list[StartStep]:
    return [step for step in profile.steps if isinstance(step, StartStep)]


def _notes(profile: Profile, steps: tuple[PlannedStep, ...]) -> Iterator[str]:
    """Yield what the reader must know about the plan before power."""
    unit_input = profile.unit.input
    if unit_input.bulk_capacitance_f is None:
        kind = "charge" if unit_input.kind == "dc" else "energy"
        yield (
            f"No bulk_capacitance on the nameplate: the start has no {kind} budget. Time at the "
            "current limit is bounded instead, which finds a short later."
        )
    for step in steps:
        yield from _stuck(profile, step)
        for level in step.levels if step.kind == "nominal" else ():
            if level.budget is not None or level.time_at_limit_s is not None:
                yield (
                    f"The start ends below nominal: step {step.number} ({step.name}) takes the "
                    f"rest under a limit of {format_quantity(level.current_limit_a, 'A')}."
                )
        for check, why in step.dropped:
            yield f"Falls away: check {check.name!r} of step {step.number} ({step.name}): {why}."
    if unit_input.threshold is None:
        assumed = format_quantity(unit_input.start_threshold_v, "V")
        yield f"No start_threshold on the nameplate: taken as {assumed}."
    if unit_input.idle_power is None:
        assumed = format_quantity(unit_input.idle_power_w, "W")
        yield f"No idle_power on the nameplate: taken as {assumed}."
