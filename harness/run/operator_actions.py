"""What is done by hand on the way: leads moved, loads connected, always with power off."""

from __future__ import annotations

from harness.errors import Refused
from harness.power.commands import SwitchOff
from harness.profile.check import Across
from harness.record.events import EventKind
from harness.run.context import Context
from harness.run.off import measure_off

_PLACES: dict[Across, str] = {
    "input": "across the input terminals: red on plus, or on line for AC; black on the other",
    "input reversed": "across the input terminals the other way round: red and black swapped",
    "fuse": "across the fuse, one lead on each end",
    "bulk": "across the bulk capacitor: red on plus, black on minus",
    "output": "across the output: red on plus, black on minus",
}

_OFF = "The supply's output is off. Stored charge may remain: measure before you touch."


def power_off(context: Context) -> None:
    """Switch off, have it confirmed and measured, whether power was on or not."""
    context.command(SwitchOff())
    measure_off(context)


def move_meter(context: Context, where: Across) -> bool:
    """Have the meter's leads moved, unless they are there; whether the meter stands there."""
    if context.meter_at == where:
        return True
    power_off(context)
    text = f"{_OFF}{_leads(context, where)} Put the meter {_PLACES[where]}."
    moved = context.operator.place_meter(where, text)
    context.stop.raise_if_requested()
    context.event(EventKind.METER, f"{'put' if moved else 'not put'} across the {where}")
    if moved:
        context.meter_at = where
    return moved


def _leads(context: Context, where: Across) -> str:
    """Say what is done with the supply's leads: off while the input is measured cold.

    A supply whose output is off may still be a resistance across its terminals (common practice).
    """
    if context.energised:
        return ""
    was, now = context.meter_at.startswith("input"), where.startswith("input")
    if now and not was:
        return " Take the supply's leads off the unit."
    return " Put the supply's leads back on the unit." if was and not now else ""


def meter_at_output(context: Context) -> None:
    """Have the meter back at the output before power comes on.

    Raises:
        Refused: Nobody has moved it: its readings would be of something else.
    """
    if context.bench.meter is not None and not move_meter(context, "output"):
        raise Refused(
            [f"The meter stands across the {context.meter_at}; nobody put it back to the output."]
        )


def connect_load(context: Context, load: str, output: str) -> bool:
    """Have a load connected by hand; whether it was."""
    done = _handle_load(context, load, f"Connect to output {output}: {load}.")
    context.event(EventKind.LOAD, f"{load} {'connected' if done else 'not connected'}")
    return done


def take_load_off(context: Context, load: str) -> bool:
    """Have a load taken off again; whether it was."""
    done = _handle_load(context, "", f"Take off: {load}. It may be hot.")
    context.event(EventKind.LOAD, f"{load} {'taken off' if done else 'not taken off'}")
    return done


def _handle_load(context: Context, load: str, what: str) -> bool:
    power_off(context)
    done = context.operator.place_load(load, f"{_OFF} {what}")
    context.stop.raise_if_requested()
    return done
