"""What a person does with power off: moves a meter's leads, connects a load and takes it off."""

from __future__ import annotations

from harness.errors import Refused
from harness.profile.bench_fit import CURRENT_CAUTION
from harness.profile.check import Across
from harness.profile.hand_loads import is_battery
from harness.profile.level import ACROSS_BULK
from harness.profile.plan import PlannedStep
from harness.profile.wiring import AT_OUTPUT, MeterPlace
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.batteries import connecting, disconnecting, measured, require_there
from harness.run.context import Context
from harness.run.enable import pull_by_hand
from harness.run.off import power_off

_PLACES: dict[Across, str] = {
    "input": "across the input terminals: red on plus, or on line for AC; black on the other",
    "input reversed": "across the input terminals the other way round: red and black swapped",
    "fuse": "across the fuse, one lead on each end",
    "limiter": "across the inrush limiter, one lead on each end",
    "bulk": "across the bulk capacitor: red on plus, black on minus",
    "output": "across the output: red on plus, black on minus",
}

#: An ohmmeter leaves up to so much on a capacitor (common practice): a start that begins below it
#: would find it full, or give it less than is weighed.
_OHMMETER_V = 10.0

#: What stands before everything a person does.
OFF = "The supply's output is off. Stored charge may remain: measure before you touch."


def move_meter(context: Context, where: MeterPlace, first: str = "") -> bool:
    """Have the leads of the meter moved that is moved by hand, unless they are there.

    ``first`` is what is done before, as a sentence. Returned is whether it stands there.
    """
    if context.meter_at == where:
        return True
    power_off(context)
    off = where.across == "output" and not context.plan.profile.unit.output  # nothing to measure
    connect = "Take the meter's leads off the unit." if off else _connect(where)
    text = (
        f"{OFF}{first}{_supply_leads(context, where)}{_jack(context, where)} {connect}"
        f"{boosted_caution(context) if where.across == 'bulk' else ''}"
    )
    moved = context.operator.place_meter(where.named, text)
    context.stop.raise_if_requested()
    said = "taken off the unit" if off else f"connected {_how(where)}"
    context.event(EventKind.METER, said if moved else f"not {said}")
    if moved:
        context.meter_at = where
    return moved


def boosted_caution(context: Context) -> str:
    """Say what may stand across the bulk capacitor of a unit with a boost stage."""
    boosted_v = context.plan.profile.unit.input.boosted_v
    if boosted_v is None:
        return ""
    held = format_quantity(boosted_v, "V", 3)
    return (
        f" UP TO {held} DC MAY STAND ACROSS IT, line or not: meter and leads made for that, and no "
        "hand near it."
    )


def _how(where: MeterPlace) -> str:
    return where.text if where.series else f"across the {where.named}"


def _connect(where: MeterPlace) -> str:
    if where.series:
        series = f"Connect the meter in series with the load at the {where.named}"
        return f"{series}: {CURRENT_CAUTION}."
    told = _PLACES[where.across]
    if where.output:
        told = told.replace("the output", f"the {where.named}")
    return f"Connect the meter {told}."


def _jack(context: Context, where: MeterPlace) -> str:
    """Say what is done with the meter's own terminals, before its leads go anywhere."""
    if where.series == context.meter_at.series:
        return ""
    if where.series:
        return " Put the red lead into the meter's current terminal."
    return (
        " Put the red lead back into the meter's voltage terminal first: the current terminals are "
        "a short across whatever they touch."
    )


def _emptying(context: Context, step: PlannedStep) -> str:
    """Say that the bulk capacitor is discharged before power, where an ohmmeter has charged it."""
    begins_low = any(level.voltage_v < _OHMMETER_V for level in step.all_levels)
    if context.energised or not (context.charged_cold and begins_low):
        return ""
    return " Discharge the bulk capacitor through a resistor: the ohmmeter has charged it."


def _supply_leads(context: Context, where: MeterPlace) -> str:
    """Say what is done with the supply's leads: off while the input is measured cold.

    A supply whose output is off may still be a resistance across its terminals (common practice).
    """
    if context.energised:
        return ""
    was, now = context.meter_at.across.startswith("input"), where.across.startswith("input")
    if now and not was:
        return " Disconnect the supply's leads from the unit."
    return " Reconnect the supply's leads to the unit." if was and not now else ""


def place_leads(context: Context, step: PlannedStep) -> str:
    """Have the meter and the load moved to where a step wants them; say what nobody moved.

    Nothing is asked for that is there already, and power is off whenever something is moved. A
    meter that no check of the step needs elsewhere stands at an output before power comes on; with
    power on it stays where it is, as the plan has it, and power does not go off for it.

    Raises:
        Refused: Nobody has moved the meter back: its readings would be of something else.
    """
    wanted = step.wiring.meter_at
    free = any(meter.at is None for meter in context.bench.file.all_meters.values())
    elsewhere = context.meter_at.across != "output"
    if wanted is None and free and elsewhere and not context.host.live:
        wanted = AT_OUTPUT
    if wanted is not None and not move_meter(context, wanted, _emptying(context, step)):
        if elsewhere and wanted.across == "output":
            stands = f"The meter is across the {context.meter_at.across}"
            back = "back to the output" if context.plan.profile.unit.output else "off the unit"
            raise Refused([f"{stands}; nobody moved it {back}."])
        return f"nobody connected the meter {_how(wanted)}"
    return _move_load(context, step) or pull_by_hand(context, step)


def _move_load(context: Context, step: PlannedStep) -> str:
    """Have the electronic load connected to the output that a step loads, where it is not."""
    output = step.wiring.load_at
    if not output or context.load_at == output:
        return ""
    power_off(context)
    rating = context.plan.profile.unit.output[output].rating
    lead = "red on plus, black on minus"
    if context.plan.profile.unit.output[output].sign < 0:
        lead = "red on the return, black on the output, which is below it"
    text = f"{OFF} Connect the electronic load to output {output} ({rating}), and to no other: "
    text += f"{lead}."
    done = context.operator.move_load(output, text)
    context.stop.raise_if_requested()
    said = f"electronic load {'connected' if done else 'not connected'} to output {output}"
    context.event(EventKind.LOAD, said)
    if not done:
        return f"nobody connected the electronic load to output {output}"
    context.load_at = output
    return ""


def place_load(context: Context, load: str, output: str | None) -> bool:
    """Have a load connected to an output by hand, or (None) disconnected; whether it was.

    Nobody is asked to connect what is connected already.
    """
    power_off(context)
    if output is not None and context.hand_load == (load, output):
        return True
    if output is None:
        hot = f"Disconnect: {load}. It may be hot."
        what, said = disconnecting(load) if is_battery(load) else hot, "disconnected"
    else:
        what, said = connecting(load, output), "connected"
    done = context.operator.place_load("" if output is None else load, f"{OFF} {what}")
    context.stop.raise_if_requested()
    context.event(EventKind.LOAD, f"{load} {said if done else f'not {said}'}")
    if done:
        context.hand_load = None if output is None else (load, output)
    return done


def place_battery(context: Context, step: PlannedStep, load: str, output: str) -> bool:
    """Have a battery connected to a charger that was measured before; whether it was.

    A meter that a person moves stands where the step wants it before the battery is there.

    Raises:
        Refused: It is not of the output's range, or not at the output as it was measured.
    """
    power_off(context)
    if context.hand_load == (load, output):
        return True
    voltage_v = measured(context, load, output)
    if voltage_v is None or not place_load(context, load, output):
        return False
    require_there(context, step, voltage_v)
    return True


def place_across_bulk(context: Context, resistor_ohm: float | None, note: str = "") -> bool:
    """Have a resistor connected across the bulk capacitor, or (None) taken off; whether it was."""
    power_off(context)
    load = ""
    text = f"{OFF} Take the resistor off the bulk capacitor. It may be hot."
    if resistor_ohm is not None:
        load = f"{ACROSS_BULK} {format_quantity(resistor_ohm, 'ohm')}"
        text = f"{OFF} Connect a {note}."
    done = context.operator.place_load(load, text)
    context.stop.raise_if_requested()
    said = "connected" if resistor_ohm is not None else "disconnected"
    context.event(EventKind.LOAD, f"resistor across the bulk {said if done else f'not {said}'}")
    return done
