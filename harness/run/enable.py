"""The enable input of the unit: pulled and let go as the steps want it."""

from __future__ import annotations

from harness.power.commands import EnableOff, EnableOn
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import Context
from harness.run.off import power_off
from harness.run.rising import note_rises


def set_enable(context: Context, step: PlannedStep) -> None:
    """Pull the enable input, or let go of it, with power on, where the bench does so."""
    way = context.plan.enable_way
    if way not in ("aux", "enable_switch") or step.enable == context.enabled:
        return
    if not step.enable:
        context.command(EnableOff())
        context.enabled = False
        context.event(EventKind.ENABLE, "let go, and says so")
        return
    pin, bounds = context.plan.profile.unit.enable, context.plan.profile.envelope.aux
    how = "pulled by its relay, which says so"
    command = EnableOn(way)
    if way == "aux":
        assert pin is not None
        assert pin.nominal_v is not None
        assert bounds is not None  # else it would not be the way
        command = EnableOn(way, pin.nominal_v, bounds.current_a)
        how = (
            f"driven to {format_quantity(pin.nominal_v, 'V')} by the auxiliary supply, limit "
            f"{format_quantity(bounds.current_a, 'A', 3)}"
        )
    note_rises(context, step)  # from before: between that and the next one an output came up
    context.command(command)
    context.enabled = True
    context.event(EventKind.ENABLE, how)


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
