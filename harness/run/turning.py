"""A source that a hand sets: made ready with power off, and turned level by level under power."""

from __future__ import annotations

import math

from harness.errors import Refused
from harness.power.trip import TripReason
from harness.profile.level import Level
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import Context

#: For so long the voltage must stay where it was turned to.
_THERE_S = 0.3


def prepare_feed(context: Context, step: PlannedStep) -> None:
    """Have the lamp put in or bridged, and the variable transformer turned to zero; power is off.

    Raises:
        Refused: Nobody did.
    """
    if context.bench.file.by_hand is None:
        return
    what = ["Turn the variable transformer to zero."]
    if step.lamp is not None and step.lamp is not context.lamp:
        what.insert(
            0,
            "See that the lamp is in series with the unit."
            if step.lamp
            else "Pull the plug of the source, bridge the lamp, which may be hot, and put it back.",
        )
    text = f"The contact in the feed is open. {' '.join(what)}"
    if context.bench.file.switch is None:
        text = " ".join(what)
    done = context.operator.set_feed(text, lamp=bool(step.lamp))
    context.stop.raise_if_requested()
    context.event(EventKind.FEED, f"{'at zero' if done else 'not at zero'}{_lamp(step, done=done)}")
    if not done:
        raise Refused(["Nobody turned the variable transformer to zero."])
    context.lamp = step.lamp


def _lamp(step: PlannedStep, *, done: bool) -> str:
    if step.lamp is None or not done:
        return ""
    return ", the lamp in series" if step.lamp else ", the lamp bridged"


def turn_to(context: Context, level: Level) -> None:
    """Say what to turn to, and watch until the voltage is there; the keeper watches the rest.

    Raises:
        Tripped: It did not get there in time, or was turned too far or too fast.
    """
    turn = level.turn
    if turn is None:
        return
    voltage, low, high = (
        format_quantity(each, "V", 4) for each in (level.voltage_v, turn.low_v, turn.high_v)
    )
    fastest = format_quantity(turn.fastest_v_per_s, "V", 3)
    told = f"to {voltage}: between {low} and {high}, at most {fastest} in a second"
    context.event(EventKind.TURN, told)
    context.operator.turn(level.voltage_v, f"Turn {told}.")
    end_s, there_s = context.clock.now_s() + turn.longest_s, math.inf
    while True:
        sample = context.sample()
        if not turn.low_v <= sample.voltage_v <= turn.high_v:
            there_s = math.inf
        elif sample.time_s - there_s >= _THERE_S:
            break
        else:
            there_s = min(there_s, sample.time_s)
        if sample.time_s > end_s:
            context.host.cut(
                TripReason.NOT_TURNED,
                f"{format_quantity(sample.voltage_v, 'V', 4)} after "
                f"{format_quantity(turn.longest_s, 's')}, where {low} to {high} is wanted",
            )
    context.event(EventKind.TURNED, f"{format_quantity(sample.voltage_v, 'V', 4)}: stop turning")
