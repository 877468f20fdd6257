"""With power off: is it off?

An output's state is what the instrument believes. A relay that sticks, or readings that froze while
the unit drew current, show in what is measured: the supply's current falls, and the rail after it.
Output off has been sent and confirmed before any of this begins; nothing here delays it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.bench.sample import SupplySample
from harness.errors import InstrumentError, NoReading, PowerOffUnconfirmed
from harness.power.commands import SwitchOff
from harness.power.trip import TripReason
from harness.profile.measures import role_of
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
    rail, context.rail = context.rail, None
    if before is None:
        return
    try:
        _require_fallen(context, before, rail)
        said = f"current {_change(before.current_a, context.live.last('supply.current'), 'A')}"
        end_s = context.clock.now_s() + _RAIL_S
        if wholly and rail is not None and abs(rail[1]) > _fall_v(context, *rail):
            fell = _rail_falls(context, rail, end_s)
            said += f"; rail {_change(rail[1], context.live.last(rail[0]), 'V')}"
            said += "" if fell else f", no fall within {_RAIL_S:g} s"
        context.event(EventKind.OFF_MEASURED, said)
        if wholly:
            _let_move(context, end_s)
    except InstrumentError as error:  # power is off and confirmed: nothing to cut, nothing shown
        context.event(EventKind.OFF_NOT_MEASURED, str(error))


def _let_move(context: Context, end_s: float) -> None:
    """Read once more all that has not moved yet, and again until it has or time is up."""
    while waited := context.live.waited_for:
        # a meter by quantity; supply and load as a whole
        wholes = (name if _alone(name) else name.partition(".")[0] for name in waited)
        for what in dict.fromkeys(wholes):
            _read(context, what)
        if context.clock.now_s() >= end_s:
            return


def _require_fallen(context: Context, before: SupplySample, rail: tuple[str, float] | None) -> None:
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
    says = "the supply says it is off, but it reads"
    if context.fed_by != "supply":
        says = "the contact says it is open, but the power meter reads"
    why = "its readings still change"
    if stood:
        why = "its readings no longer change, and no meter shows that the rail falls"
        if _rail_falls(context, rail, context.clock.now_s() + _RAIL_S):
            voltage = format_quantity(before.voltage_v, "V")
            current = format_quantity(before.current_a, "A", 3)
            context.host.cut(
                TripReason.FROZEN_READINGS,
                f"{voltage} and {current}, unchanged to the last digit after output off, while "
                "the rail at the meter fell",
            )
    context.event(EventKind.POWER_OFF, "unconfirmed")
    flows = format_quantity(context.live.last(f"{context.fed_by}.current"), "A", 3)
    welded = ""
    if context.bench.file.switch is not None:
        fault = (
            f"CURRENT FLOWS ALTHOUGH THE CONTACT IN THE FEED WAS OPENED: {flows}. "
            "TAKE THE CONTACT FOR WELDED"
        )
        context.event(EventKind.CONTACT_FAULT, fault)
        welded = f". {fault}"
    raise PowerOffUnconfirmed(
        f"OUTPUT OFF COULD NOT BE CONFIRMED: {says} {flows}, and {why}{welded}",
        where=f"{context.fed_by.replace('_', ' ')} ({context.bench.file.feed.resource})",
    )


def _stands(context: Context, before: SupplySample, within_s: float) -> bool | None:
    """Read the supply until its current has fallen: None once it has, or was too small to tell.

    Else, after ``within_s`` and two averaging windows, whether every digit stood where it was in
    the last sample under power.
    """
    error_a = context.error_of(f"{context.fed_by}.current", 0.0)
    if abs(before.current_a) <= _CLEAR_ERRORS * error_a:
        _read(context, context.fed_by)
        return None
    fallen_a = max(error_a, _FALLEN_FRAC * abs(before.current_a))
    end_s = context.clock.now_s() + within_s + 2 * context.plan.averaged_s
    stood = True
    while True:
        values = _read(context, context.fed_by)
        if abs(values["current"]) <= fallen_a:
            return None
        stood &= values["current"] == before.current_a and values["voltage"] == before.voltage_v
        if context.clock.now_s() >= end_s:
            return stood


def _rail_falls(context: Context, rail: tuple[str, float] | None, end_s: float) -> bool:
    """Whether a meter sees the voltage fall where it stands; it may have fallen already."""
    name = _voltmeter(context) if rail is None else rail[0]
    was_v = None if rail is None else rail[1]
    while name and context.clock.now_s() < end_s:
        now_v = _read(context, name)["voltage_dc"]
        if was_v is None:
            was_v = now_v
        if abs(was_v) - abs(now_v) > _fall_v(context, name, was_v):
            return True
    return False


def _voltmeter(context: Context) -> str:
    """Return the measure name of a meter's DC voltage where one is wired for it; else nothing."""
    for key, meter in context.bench.file.all_meters.items():
        in_series = context.meter_at.series if meter.at is None else meter.wired_for == "current"
        if not in_series and context.bench.readers[key].has("measure_voltage_dc"):
            return f"{key}.voltage_dc"
    return ""


def _fall_v(context: Context, name: str, rail_v: float) -> float:
    """Return by how much a rail must have fallen to be seen to fall."""
    error_v = context.error_of(name, rail_v)
    return max(_FALL_ERRORS * error_v, _FALL_FRAC * abs(rail_v))


def _read(context: Context, what: str) -> Mapping[str, float]:
    """Read a meter by quantity, another instrument as a whole, once, with the output off.

    A power factor or frequency of nothing is no number, and that says that it is another.
    """
    role, _, quantity = what.partition(".")
    wanted = [quantity] if quantity else WHOLE
    reader = context.bench.readers.get(role)
    read = context.host.read if reader is None else lambda _, *names: reader.read(*names)
    try:
        values: Mapping[str, float] = read(role, *wanted)
    except NoReading:
        if role != "power_meter" or not quantity:
            raise
        values = {quantity: math.nan}
    for name, value in values.items():
        context.live.add(f"{role}.{name}", context.clock.now_s(), value)
    return values


def _alone(measure: str) -> bool:
    """Whether it is asked for by itself: all of a meter, some of a power meter."""
    key, _, quantity = measure.partition(".")
    role = role_of(key)
    return role == "meter" or (role == "power_meter" and quantity not in WHOLE)


def _change(before: float, after: float, unit: str) -> str:
    return f"{format_quantity(before, unit, 3)} to {format_quantity(after, unit, 3)}"
