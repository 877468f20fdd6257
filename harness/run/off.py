"""With power off: is it off, and what is done by hand then: leads moved, loads connected.

An output's state is what the instrument believes. A relay that sticks, or readings that froze while
the unit drew current, show in what is measured: the supply's current falls, and the rail after it.
Output off has been sent and confirmed before any of this begins; nothing here delays it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.bench.dialect import bench_dialects
from harness.bench.sample import SupplySample
from harness.errors import InstrumentError, NoReading, PowerOffUnconfirmed, Refused
from harness.power.commands import SwitchOff
from harness.power.trip import TripReason
from harness.profile.check import Across
from harness.profile.level import ACROSS_BULK
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import WHOLE, Context

#: Longest time for the supply's current to fall, beside two of its averaging windows.
_CURRENT_S = 1.0
#: Longest time for a rail to fall, or for a reading to move at all: stored charge lets it wait.
_RAIL_S = 5.0
#: Current counts as fallen at this share of what it was, or within its error at zero.
_FALLEN_FRAC = 0.1
#: Current of less than so many errors at zero is too small to tell.
_CLEAR_ERRORS = 2.0
#: A rail counts as falling by this share of what it was, or by so many of the meter's errors.
_FALL_FRAC, _FALL_ERRORS = 0.02, 2.0
#: So often is a supply told again that says it is off while its current flows, and how long each
#: time its current may take: by then power may be on, and nobody else looks.
_TRIES, _AGAIN_S = 3, 0.2

_PLACES: dict[Across, str] = {
    "input": "across the input terminals: red on plus, or on line for AC; black on the other",
    "input reversed": "across the input terminals the other way round: red and black swapped",
    "fuse": "across the fuse, one lead on each end",
    "limiter": "across the inrush limiter, one lead on each end",
    "bulk": "across the bulk capacitor: red on plus, black on minus",
    "output": "across the output: red on plus, black on minus",
}

_OFF = "The supply's output is off. Stored charge may remain: measure before you touch."


def power_off(context: Context) -> None:
    """Switch off, have it confirmed and measured, whether power was on or not."""
    context.command(SwitchOff())
    measure_off(context)


def measure_off(context: Context, *, wholly: bool = True) -> None:
    """See after power off that current and rail fall, and let the readings show that they live.

    Without power since the last time there is nothing to see. ``wholly`` waits for the rail and for
    every reading as well; a run that was cut short proves nothing by them.

    Raises:
        Tripped: The supply's readings had frozen, so that its bounds were not watched.
        PowerOffUnconfirmed: Current still flows, or nothing shows that it does not.
    """
    before, context.last_sample = context.last_sample, None
    rail_v, context.rail_v = context.rail_v, None
    if before is None:
        return
    try:
        _require_fallen(context, before, rail_v)
        said = f"current {_change(before.current_a, context.live.last('supply.current'), 'A')}"
        end_s = context.clock.now_s() + _RAIL_S
        if wholly and rail_v is not None and abs(rail_v) > _fall_v(context, rail_v):
            fell = _rail_falls(context, rail_v, end_s)
            said += f"; rail {_change(rail_v, context.live.last('meter.voltage_dc'), 'V')}"
            said += "" if fell else f", no fall within {_RAIL_S:g} s"
        context.event(EventKind.OFF_MEASURED, said)
        if wholly:
            _let_move(context, end_s)
    except InstrumentError as error:  # power is off and confirmed: nothing to cut, nothing shown
        context.event(EventKind.OFF_NOT_MEASURED, str(error))


def _let_move(context: Context, end_s: float) -> None:
    """Read once more all that has not moved yet, and again until it has or time is up."""
    while waited := context.live.waited_for:
        # the meter by quantity; supply and load as a whole
        wholes = (n if n.startswith("meter.") or _alone(n) else n.partition(".")[0] for n in waited)
        for what in dict.fromkeys(wholes):
            _read(context, what)
        if context.clock.now_s() >= end_s:
            return


def _require_fallen(context: Context, before: SupplySample, rail_v: float | None) -> None:
    """See that the current falls: if not, tell the supply again, and say what stands."""
    stood = _stands(context, before, _CURRENT_S)
    for _ in range(_TRIES):
        if stood is not False:
            break
        context.event(
            EventKind.SWITCHING_OFF_AGAIN, "output off is confirmed, but current still flows"
        )
        context.host.power_off()
        stood = _stands(context, before, _AGAIN_S)
    if stood is None:
        return
    why = "its readings still change"
    if stood:
        why = "its readings no longer change, and no meter shows that the rail falls"
        if _rail_falls(context, rail_v, context.clock.now_s() + _RAIL_S):
            voltage = format_quantity(before.voltage_v, "V")
            current = format_quantity(before.current_a, "A", 3)
            context.host.cut(
                TripReason.FROZEN_READINGS,
                f"{voltage} and {current}, unchanged to the last digit after output off, while "
                "the rail at the meter fell",
            )
    context.event(EventKind.POWER_OFF, "unconfirmed")
    flows = format_quantity(context.live.last("supply.current"), "A", 3)
    welded = ""
    if context.bench.file.switch is not None:
        fault = (
            f"CURRENT FLOWS ALTHOUGH THE CONTACT IN THE FEED WAS OPENED: {flows} at the supply. "
            "TAKE THE CONTACT FOR WELDED"
        )
        context.event(EventKind.CONTACT_FAULT, fault)
        welded = f". {fault}"
    raise PowerOffUnconfirmed(
        "OUTPUT OFF COULD NOT BE CONFIRMED: the supply says it is off, but it reads "
        f"{flows}, and {why}{welded}",
        where=f"supply ({context.bench.file.supply.resource})",
    )


def _stands(context: Context, before: SupplySample, within_s: float) -> bool | None:
    """Read the supply until its current has fallen: None once it has, or was too small to tell.

    Else, after ``within_s`` and two averaging windows, whether every digit stood where it was in
    the last sample under power.
    """
    error_a = context.error_of("supply.current", 0.0)
    if abs(before.current_a) <= _CLEAR_ERRORS * error_a:
        _read(context, "supply")
        return None
    window_s = context.bench.file.supply.averaging_window_s
    if window_s is None:
        window_s = bench_dialects(context.bench.file)["supply"].link.averaging_window_s
    fallen_a = max(error_a, _FALLEN_FRAC * abs(before.current_a))
    end_s = context.clock.now_s() + within_s + 2 * window_s
    stood = True
    while True:
        values = _read(context, "supply")
        if abs(values["current"]) <= fallen_a:
            return None
        stood &= values["current"] == before.current_a and values["voltage"] == before.voltage_v
        if context.clock.now_s() >= end_s:
            return stood


def _rail_falls(context: Context, rail_v: float | None, end_s: float) -> bool:
    """Whether the meter sees the voltage fall where it stands; it may have fallen already."""
    if context.bench.meter is None or not context.bench.meter.has("measure_voltage_dc"):
        return False
    while context.clock.now_s() < end_s:
        now_v = _read(context, "meter.voltage_dc")["voltage_dc"]
        if rail_v is None:
            rail_v = now_v
        if abs(rail_v) - abs(now_v) > _fall_v(context, rail_v):
            return True
    return False


def _fall_v(context: Context, rail_v: float) -> float:
    """Return by how much a rail must have fallen to be seen to fall."""
    error_v = context.error_of("meter.voltage_dc", rail_v)
    return max(_FALL_ERRORS * error_v, _FALL_FRAC * abs(rail_v))


def _read(context: Context, what: str) -> Mapping[str, float]:
    """Read a meter by quantity, another instrument as a whole, once, with the output off.

    A power factor or frequency of nothing is no number, and that says that it is another.
    """
    role, _, quantity = what.partition(".")
    if role in context.bench.readers:
        try:
            values: Mapping[str, float] = context.bench.readers[role].read(
                *([quantity] if quantity else WHOLE)
            )
        except NoReading:
            if not _alone(what):
                raise
            values = {quantity: math.nan}
    else:
        values = context.host.read(role, *WHOLE)
    for name, value in values.items():
        context.live.add(f"{role}.{name}", context.clock.now_s(), value)
    return values


def _alone(measure: str) -> bool:
    """Whether the power meter is asked for it by itself."""
    role, _, quantity = measure.partition(".")
    return role == "power_meter" and quantity not in ("", *WHOLE)


def _change(before: float, after: float, unit: str) -> str:
    return f"{format_quantity(before, unit, 3)} to {format_quantity(after, unit, 3)}"


def move_meter(context: Context, where: Across) -> bool:
    """Have the meter's leads moved, unless they are there; whether the meter stands there."""
    if context.meter_at == where:
        return True
    power_off(context)
    text = f"{_OFF}{_leads(context, where)} Connect the meter {_PLACES[where]}."
    moved = context.operator.place_meter(where, text)
    context.stop.raise_if_requested()
    context.event(
        EventKind.METER, f"{'connected' if moved else 'not connected'} across the {where}"
    )
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
        return " Disconnect the supply's leads from the unit."
    return " Reconnect the supply's leads to the unit." if was and not now else ""


def meter_at_output(context: Context) -> None:
    """Have the meter back at the output before power comes on.

    Raises:
        Refused: Nobody has moved it: its readings would be of something else.
    """
    if context.bench.meter is not None and not move_meter(context, "output"):
        raise Refused(
            [f"The meter is across the {context.meter_at}; nobody moved it back to the output."]
        )


def place_load(context: Context, load: str, output: str | None) -> bool:
    """Have a load connected to an output by hand, or (None) disconnected; whether it was.

    Nobody is asked to connect what is connected already.
    """
    power_off(context)
    if output is not None and context.hand_load == (load, output):
        return True
    if output is None:
        what, said = f"Disconnect: {load}. It may be hot.", "disconnected"
    else:
        what, said = f"Connect to output {output}: {load}.", "connected"
    done = context.operator.place_load("" if output is None else load, f"{_OFF} {what}")
    context.stop.raise_if_requested()
    context.event(EventKind.LOAD, f"{load} {said if done else f'not {said}'}")
    if done:
        context.hand_load = None if output is None else (load, output)
    return done


def place_across_bulk(context: Context, resistor_ohm: float | None, note: str = "") -> bool:
    """Have a resistor connected across the bulk capacitor, or (None) taken off; whether it was."""
    power_off(context)
    load = ""
    text = f"{_OFF} Take the resistor off the bulk capacitor. It may be hot."
    if resistor_ohm is not None:
        load = f"{ACROSS_BULK} {format_quantity(resistor_ohm, 'ohm')}"
        text = f"{_OFF} Connect a {note}."
    done = context.operator.place_load(load, text)
    context.stop.raise_if_requested()
    said = "connected" if resistor_ohm is not None else "disconnected"
    context.event(EventKind.LOAD, f"resistor across the bulk {said if done else f'not {said}'}")
    return done
