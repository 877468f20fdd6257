"""What wakes a charger that has a load in the place of a battery: a small supply (pure).

It is a person's, connected with power off, or the bench's auxiliary supply, within an envelope of
its own. Either stands behind a diode: once it is awake, the charger's output is above it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.files.config_error import ConfigError
from harness.profile.check_rules import ROUNDING, StepPart
from harness.profile.hand_loads import DIODE_V, SMALL_SUPPLY_A, set_to_wake_v
from harness.profile.plan import PlannedStep
from harness.profile.schema import AuxEnvelope, Profile
from harness.profile.step import WakingStep
from harness.profile.steps import Step
from harness.quantity import format_quantity
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit


def has_charger(unit: Unit) -> bool:
    """Whether an output of the unit charges batteries."""
    return any(isinstance(output, ChargerOutput) for output in unit.output.values())


def woken(steps: Iterable[Step], *, by_aux: bool) -> tuple[Step, ...]:
    """Return steps in which the bench's auxiliary supply wakes the charger, where it does."""
    return tuple(
        step.woken_by_aux() if by_aux and isinstance(step, WakingStep) and step.wake_v else step
        for step in steps
    )


def wake_envelope_rules(steps: Iterable[StepPart], aux: AuxEnvelope) -> Iterator[ConfigError]:
    """Yield what is wrong with the envelope of an auxiliary supply that wakes a charger.

    It lies below what the load holds: a reading of that is the output's, through a diode that is
    missing, and cuts power.
    """
    path = ("envelope", "aux")
    waking = [(part, part.quantity("wake", "V")) for part in steps if "wake" in part.raw]
    if not waking:
        yield ConfigError(path, "no step has wake: nothing is driven by an auxiliary supply")
        return
    if aux.current_a > SMALL_SUPPLY_A * (1 + ROUNDING):
        most = format_quantity(SMALL_SUPPLY_A, "A")
        given = format_quantity(aux.current_a, "A")
        yield ConfigError(
            (*path, "current"), f"{given} is more than the {most} that wake a charger", f'"{most}"'
        )
    for part, wake_v in waking:
        held = [voltage_v for _, voltage_v in part.held_voltages()]
        if wake_v is None or not held:  # told by the rules of the step
            continue
        given = format_quantity(aux.voltage_v, "V")
        if aux.voltage_v < set_to_wake_v(wake_v) * (1 - ROUNDING):
            least = format_quantity(set_to_wake_v(wake_v), "V")
            yield ConfigError(
                (*path, "voltage"),
                f"{given} leaves no {format_quantity(wake_v, 'V')} (wake) at the output: the diode "
                f"in its lead drops up to {format_quantity(DIODE_V, 'V')}",
                f'"{least}"',
            )
        elif aux.voltage_v >= min(held):
            yield ConfigError(
                (*path, "voltage"),
                f"{given} is not below the load's {format_quantity(min(held), 'V')}: a diode that "
                "is missing in its lead would not be seen",
            )
    outputs = dict.fromkeys(part.output for part, _ in waking)
    if len(outputs) > 1:
        yield ConfigError(path, "the auxiliary supply is wired to one output, and wakes no other")


def wake_notes(profile: Profile, steps: Iterable[PlannedStep]) -> Iterator[str]:
    """Say how the auxiliary supply that wakes a charger is wired, set and watched."""
    aux = profile.envelope.aux
    for planned in steps:
        step = planned.step
        if not (isinstance(step, WakingStep) and step.woken and aux is not None and step.wake_v):
            continue
        name = step.output or next(iter(profile.unit.output))
        highest = format_quantity(profile.unit.output[name].nominal_v, "V")
        volts, amps = format_quantity(aux.voltage_v, "V"), format_quantity(aux.current_a, "A")
        yield (
            f"Step {planned.number} ({planned.name}): the auxiliary supply wakes the charger. Wire "
            f"it to output {name} before the run, plus on plus, WITH A DIODE IN ITS PLUS LEAD that "
            f"conducts towards the charger and bears {highest} the other way: awake, the charger "
            "would drive its current back into the supply. It is set to "
            f"{format_quantity(set_to_wake_v(step.wake_v), 'V')} (wake, and what the diode drops), "
            f"limit {amps} less what it may be off by, once the load holds its voltage, and goes "
            f"off before the load, on every way out. One reading outside {volts} or {amps} cuts "
            "power: the output's voltage, where the diode is missing, is one. Power goes off after "
            "the step: a charger that is awake may stay so."
        )
