"""What a unit needs beside its feed to work: its enable input pulled, or its charger woken."""

from __future__ import annotations

from harness.power.commands import EnableOff, EnableOn, PinRole
from harness.profile.hand_loads import set_to_wake_v
from harness.profile.plan import PlannedStep
from harness.profile.step import WakingStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import Context
from harness.run.off import power_off
from harness.run.rising import note_rises


def set_enable(context: Context, step: PlannedStep) -> None:
    """Pull the enable input, or let go of it, with power on, where the bench does so."""
    way, pin = context.plan.enable_way, context.plan.profile.unit.enable
    if pin is None or way not in ("aux", "enable_switch") or step.enable == context.enabled:
        return
    if not step.enable:
        _let_go(context)
        return
    note_rises(context, step)  # from before: between that and the next one an output came up
    if way == "aux":
        assert pin.nominal_v is not None  # else it would not be the way
        _drive(context, way, pin.nominal_v, "driven to")
    else:
        _drive(context, way)


def wake(context: Context, step: PlannedStep) -> None:
    """Have the auxiliary supply wake the charger, whose load holds its voltage by now."""
    asked = step.step
    if isinstance(asked, WakingStep) and asked.woken and not context.enabled:
        assert asked.wake_v is not None  # else nothing would wake it
        _drive(context, "aux", set_to_wake_v(asked.wake_v), "charger woken with", limits=True)


def end_waking(context: Context) -> None:
    """Let go of a charger, before the load that held its voltage goes."""
    if context.plan.profile.unit.enable is None and context.enabled:
        _let_go(context)


def _drive(
    context: Context,
    way: PinRole,
    voltage_v: float = 0.0,
    told: str = "",
    *,
    limits: bool = False,
) -> None:
    """Have it driven by the bench, by the auxiliary supply to a voltage and within its envelope.

    ``limits`` where it may be in its limit, as long as it fills the capacitors at an output: it may
    give so much more than it is set to, and read so much more than it gives.
    """
    how, limit_a = "pulled by its relay, which says so", 0.0
    if way == "aux":
        bounds = context.plan.profile.envelope.aux
        assert bounds is not None  # else it would not be the way
        error_a = context.error_of("aux.current", bounds.current_a) if limits else 0.0
        limit_a = max(bounds.current_a - 2 * error_a, 0.5 * bounds.current_a)
        how = (
            f"{told} {format_quantity(voltage_v, 'V')} by the auxiliary supply, limit "
            f"{format_quantity(limit_a, 'A', 3)}"
        )
    context.command(EnableOn(way, voltage_v, limit_a))
    context.enabled = True
    context.event(EventKind.ENABLE, how)


def _let_go(context: Context) -> None:
    context.command(EnableOff())
    context.enabled = False
    context.event(EventKind.ENABLE, "let go, and says so")


def pull_by_hand(context: Context, step: PlannedStep) -> str:
    """Have the enable input pulled or let go by a person, power off; say what nobody did."""
    pin = context.plan.profile.unit.enable
    if context.plan.enable_way != "hand" or pin is None or step.enable == context.pulled:
        return ""
    power_off(context)
    what = f"Pull the enable input: {pin.told}" if step.enable else f"Let go of {pin.pin}"
    if step.enable and pin.nominal_v is not None:
        what += f". It bears {format_quantity(pin.highest_v, 'V', 3)} at most"
    done = context.operator.pull_enable(
        f"The supply's output is off. Stored charge may remain: measure before you touch. {what}.",
        pulled=step.enable,
    )
    context.stop.raise_if_requested()
    said = "pulled" if step.enable else "let go"
    context.event(EventKind.ENABLE, f"{said if done else f'not {said}'} by hand: {pin.pin}")
    if not done:
        return f"nobody {said} the enable input ({pin.pin})"
    context.pulled = step.enable
    return ""
