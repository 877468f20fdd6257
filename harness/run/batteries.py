"""A battery at the output of a charger: measured before it is connected, and drained by nothing."""

from __future__ import annotations

from harness.errors import InstrumentError, Refused
from harness.profile.cautions import BATTERY_CAUTIONS
from harness.profile.hand_loads import SMALL_SUPPLY_NOTE, is_battery, small_supply_v
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import Context
from harness.run.meters import read_cold
from harness.unit.charger_output import ChargerOutput

#: How far outside the range a battery may be that was charged to its end: a charge is held to a per
#: cent, and a hand-held meter reads to another (common practice).
_MARGIN_FRAC = 0.02
#: What a meter at the output may read off the voltage that was measured at the battery: a share and
#: a fixed part, for another meter, and for the terminals' first moments.
_APART_FRAC, _APART_V = 0.05, 0.3


def measured(context: Context, load: str, output: str) -> float | None:
    """Have the voltage of a battery measured before it is connected; None where nobody did.

    Power is off.

    Raises:
        Refused: It is not of the output's range: too low, too high, or the wrong way round.
    """
    charger = context.plan.profile.unit.output[output]
    assert isinstance(charger, ChargerOutput)  # the rules of a profile ask for one
    least, most = (format_quantity(each, "V") for each in charger.range_v)
    voltage_v, note = context.operator.ask_value(
        f"{load}: voltage at its own terminals, measured before it is connected; red lead on its "
        f"plus. Output {output} charges {least} to {most}",
        "V",
    )
    context.stop.raise_if_requested()
    if voltage_v is None:
        context.event(EventKind.LOAD, f"{load}: nobody measured its voltage")
        return None
    found = format_quantity(voltage_v, "V")
    said = f"{load}: {found} before it is connected"
    context.event(EventKind.LOAD, f"{said} ({note})" if note else said)
    # written so that a value that is no number is refused
    least_v, most_v = charger.lowest_v, charger.nominal_v * (1 + _MARGIN_FRAC)
    if not least_v <= voltage_v <= most_v:
        why = (
            f"{load} has {found}, and output {output} charges {least} to {most}. It was not "
            "connected: take one that the charger is for, and mind its polarity."
        )
        raise Refused([why])
    return voltage_v


def require_there(context: Context, step: PlannedStep, measured_v: float) -> None:
    """See that a battery is at the output as it was measured, where a meter reads there.

    Power is off.

    Raises:
        Refused: The meter reads something else: it is not connected, or the wrong way round.
    """
    for (place, quantity), key in step.wiring.meters.items():
        if quantity != "voltage_dc" or place.across != "output":
            continue
        if context.bench.file.all_meters[key].at is None and context.meter_at != place:
            continue
        try:
            read_v = read_cold(context, f"{key}.voltage_dc")
        except InstrumentError as error:
            raise Refused([str(error)]) from error
        if not abs(read_v - measured_v) <= _APART_FRAC * measured_v + _APART_V:
            why = (
                f"The battery measured {format_quantity(measured_v, 'V')}, the output reads "
                f"{format_quantity(read_v, 'V', 4)}: look at its polarity, its lead, and the fuse "
                "in that. Power stays off."
            )
            raise Refused([why])


def connecting(load: str, output: str) -> str:
    """Say how a load by hand is connected."""
    if is_battery(load):
        told = (f"Connect to output {output}: {load}, plus on plus.", *BATTERY_CAUTIONS)
        return "".join(f"\n  {text}" for text in told)
    if small_supply_v(load) is not None:
        return f"Connect to output {output}: {load}. {SMALL_SUPPLY_NOTE}"
    return f"Connect to output {output}: {load}."


def disconnecting(load: str) -> str:
    """Say how a battery is taken off."""
    return f"Disconnect: {load}, the fuse of its lead first. Let it cool where it can vent."


def left_behind(context: Context) -> tuple[str, ...]:
    """Return a warning where a battery is still connected at the end of a run."""
    load, output = context.hand_load or ("", "")
    if not is_battery(load):
        return ()
    told = (
        f"{load[:1].upper()}{load[1:]} is still connected to output {output}: take it off, the "
        "fuse of its lead first. With power off it still feeds what is wrong in the unit."
    )
    return (told,)
