"""The enable input of a unit: where it is pulled, by what, and what speaks against it (pure).

What pulls it is the bench's: an auxiliary supply, a relay of its own, or a person with power off.
At a charger without one the auxiliary supply wakes the charger (:mod:`harness.profile.waking`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

from harness.files.config_error import ConfigError
from harness.profile.bench_file import BenchFile
from harness.profile.check_rules import ROUNDING, StepPart
from harness.profile.hand_loads import set_to_wake_v
from harness.profile.plan import Plan, PlannedStep
from harness.profile.schema import Envelope, Profile
from harness.profile.step import WakingStep
from harness.profile.waking import has_charger, wake_envelope_rules
from harness.quantity import format_quantity
from harness.unit.nameplate import Unit

#: What pulls an enable input, or wakes a charger; empty: nothing does, or there is no bench yet.
EnableWay = Literal["aux", "enable_switch", "hand", ""]


def enable_way(profile: Profile, bench: BenchFile | None) -> EnableWay:
    """Return what pulls the enable input of a profile's unit on a bench, or wakes its charger."""
    pin = profile.unit.enable
    if bench is None:
        return ""
    has_aux = bench.aux is not None and profile.envelope.aux is not None
    if pin is None:
        return "aux" if has_aux and has_charger(profile.unit) else ""
    if pin.nominal_v is not None and has_aux:
        return "aux"
    return "hand" if bench.enable_switch is None else "enable_switch"


def enable_rules(
    steps: Iterable[StepPart], unit: Unit, envelope: Envelope | None
) -> Iterator[ConfigError]:
    """Yield what is wrong with what a profile says of an enable input, and of what drives it."""
    steps = tuple(steps)
    if unit.enable is None:
        for part in steps:
            if "enable" in part.raw:
                yield part.wrong(
                    "enable", "the unit has no enable input; name it in [unit], or leave this out"
                )
    aux = None if envelope is None else envelope.aux
    if aux is None:
        return
    path = ("envelope", "aux")
    if unit.enable is None and has_charger(unit):
        yield from wake_envelope_rules(steps, aux)
        return
    if unit.enable is None or unit.enable.nominal_v is None:
        yield ConfigError(path, "the unit has no enable input that is driven to a voltage")
        return
    given, highest_v = format_quantity(aux.voltage_v, "V"), unit.enable.highest_v
    nominal, highest = (
        format_quantity(unit.enable.nominal_v, "V"),
        format_quantity(highest_v, "V", 4),
    )
    if aux.voltage_v > highest_v * (1 + ROUNDING):
        yield ConfigError(
            (*path, "voltage"),
            f"{given} is more than the {highest} that the enable input bears",
            f'"{highest}"',
        )
    elif aux.voltage_v < unit.enable.nominal_v * (1 - ROUNDING):
        yield ConfigError(
            (*path, "voltage"),
            f"{given} is below the nominal {nominal}: the enable input could never be driven",
            f'"{highest}"',
        )


def enable_reasons(plan: Plan) -> Iterator[str]:
    """Yield what speaks against what the auxiliary supply is for here (safety rules 1, 3)."""
    bench, aux = plan.bench, plan.profile.envelope.aux
    if bench is None or plan.enable_way != "aux" or bench.aux is None or aux is None:
        return
    span = bench.aux.range
    for what, value, unit, most in (
        ("voltage", aux.voltage_v, "V", span.voltage_v),
        ("current", aux.current_a, "A", span.current_a),
    ):
        if most is not None and value > most * (1 + ROUNDING):
            yield (
                f"The auxiliary supply's envelope of {format_quantity(value, unit)} is beyond its "
                f"range of {format_quantity(most, unit)} ({what})."
            )
    set_v, accuracy = _set_v(plan), bench.aux.accuracy.get("voltage")
    error_v = 0.0 if accuracy is None else accuracy.bound(set_v)
    if set_v + 2 * error_v > aux.voltage_v * (1 + ROUNDING):
        yield (
            f"The auxiliary supply, set to {format_quantity(set_v, 'V')}, may read up to "
            f"{format_quantity(set_v + 2 * error_v, 'V', 4)} (twice its accuracy), and its "
            f"envelope of {format_quantity(aux.voltage_v, 'V')} would cut power."
        )


def _set_v(plan: Plan) -> float:
    """Return what the auxiliary supply is set to at most."""
    pin = plan.profile.unit.enable
    if pin is not None:
        return pin.nominal_v or 0.0
    asked = (step.step for step in plan.steps if isinstance(step.step, WakingStep))
    woken = (set_to_wake_v(step.wake_v) for step in asked if step.woken and step.wake_v)
    return max(woken, default=0.0)


def enable_notes(profile: Profile, steps: Iterable[PlannedStep], way: EnableWay) -> Iterator[str]:
    """Say where the enable input is pulled and let go, by what, and what a person does for it."""
    pin, aux = profile.unit.enable, profile.envelope.aux
    if pin is None:
        return
    powered = [step for step in steps if step.all_levels]
    if not any(step.enable for step in powered):
        yield (
            f"The unit has an enable input ({pin.told}), and no step pulls it (enable = true): it "
            "is looked at disabled alone."
        )
        return
    how = "by what the bench has: an auxiliary supply, a relay, or by hand with power off"
    if way == "aux" and aux is not None:
        how = (
            f"by the auxiliary supply, limit {format_quantity(aux.current_a, 'A')}. It comes on "
            "after the supply's output and goes off with it, on every way out; one reading outside "
            f"{format_quantity(aux.voltage_v, 'V')} or {format_quantity(aux.current_a, 'A')} cuts "
            "power"
        )
    elif way == "enable_switch":
        how = "by its relay, which opens with the supply's output on every way out"
    elif way == "hand":
        how = "by hand, with power off"
    yield f"The enable input ({pin.told}) is pulled {how}."
    before = False
    for step in powered:
        if step.enable != before:
            before = step.enable
            yield f"Step {step.number} ({step.name}): {_told(step, way)}"


def _told(step: PlannedStep, way: EnableWay) -> str:
    done = "pulled" if step.enable else "let go"
    if way != "hand":
        return f"the enable input is {done}, with power on."
    until = ", ".join(level.label for level in step.restart)
    back = f"; power comes back by {until}" if step.moves and until else ""
    return f"power off: the enable input is {done} by hand{back}."
