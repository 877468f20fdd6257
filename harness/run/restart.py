"""A start that is not the first: power off, leads as wanted, and what the capacitor still holds.

The allowance of a start is for filling an empty bulk capacitor. What is on it already is measured
before power comes back, by a meter across it or by hand, and is not allowed once more.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from harness.errors import InstrumentError, Refused
from harness.profile.discharge_step import resistor_text
from harness.profile.level import Level
from harness.profile.plan import PlannedStep
from harness.profile.start_step import ASK_BULK, Polarity, StartStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.by_hand import OFF, boosted_caution, place_across_bulk, place_leads
from harness.run.context import Context
from harness.run.meters import read_cold
from harness.run.off import power_off

#: Time between two looks while power stays off.
_LOOK_S = 0.05
#: Longest time that a capacitor is waited for with a resistor across it.
_LONGEST_S = 120.0
#: Power that a resistor for it may take at first, and its values in each decade (series E3,
#: IEC 60063): a small one does, and with 150 uF at 60 V it takes a few seconds.
_RESISTOR_W, _SERIES = 1.0, (1.0, 2.2, 4.7)


def begin(context: Context, step: PlannedStep, levels: tuple[Level, ...]) -> tuple[Level, ...]:
    """Return a start's levels as the unit is found; power is off and the leads as it wants them.

    Raises:
        Refused: Nobody changed the leads, measured, or discharged the capacitor; power is off.
    """
    asked = step.step
    assert isinstance(asked, StartStep)
    again = context.energised
    if again:
        power_off(context)
    _turn_leads(context, asked.polarity)
    if not again:
        return levels
    place_leads(context, step)
    stay_off(context, asked.off_s)
    bulk_v = found_v(context, asked.bulk_below_v)
    return tuple(as_found(levels, context, bulk_v))


def as_found(levels: tuple[Level, ...], context: Context, bulk_v: float) -> Iterator[Level]:
    """Yield levels whose allowance begins at a bulk voltage that was found, in volts.

    Source: a rectifier charges its capacitor to the peak; textbook.
    """
    charged_v = bulk_v / context.plan.profile.fed.input.peak_factor
    for level in levels:
        budget = None if level.budget is None else level.budget.found(charged_v)
        yield replace(level, budget=budget)


def as_entered(level: Level, context: Context) -> Level:
    """Return a level as its unit is when the level is entered, in a start that is not the first.

    A converter that may be at work takes from what was found on the bulk capacitor until it stops,
    and that is allowed once more: at its idle power, out of the least capacitance that counts.

    Source: C V^2 / 2 falls by P t; textbook.
    """
    budget = level.budget
    if budget is None or budget.charged_v < budget.threshold_v:  # asleep, or begun as empty
        return level
    taken_j = budget.idle_power_w * (context.clock.now_s() - context.found_s)
    found_v = budget.charged_v * budget.peak_factor
    left_v2 = found_v**2 - 2.0 * taken_j * budget.charge_factor / budget.capacitance_f
    left_v = math.sqrt(max(left_v2, 0.0)) / budget.peak_factor
    return replace(level, budget=budget.less(max(left_v, budget.threshold_v)))


def as_left(levels: tuple[Level, ...], context: Context) -> tuple[Level, ...]:
    """Return the levels by which power comes back where a step finds it off, as the unit is found.

    What a meter across the bulk capacitor reads is not allowed once more. Where none stands there
    the capacitor counts as empty.
    """
    reading = _meter_across(context)
    if reading is None or all(level.budget is None for level in levels):
        return levels
    context.found_s = context.clock.now_s()
    try:
        bulk_v = _most_v(context, reading)
    except InstrumentError as error:
        context.event(EventKind.NO_READING, f"what is left on the bulk capacitor: {error}")
        return levels
    _tell(context, bulk_v, "measured")
    return tuple(as_found(levels, context, bulk_v))


def found_v(context: Context, below_v: float | None) -> float:
    """Measure what is left on the bulk capacitor, at most; discharged where it has to be.

    A meter across it reads; without one the person at the bench is asked.

    Raises:
        Refused: Nobody measured it, or it stays above what it has to be below.
    """
    reading = _meter_across(context)
    context.found_s = context.clock.now_s()
    if reading is None:
        return _asked_v(context, below_v)
    bulk_v = _read_v(context, reading)
    if below_v is not None and bulk_v >= below_v:
        bulk_v = _discharged_v(context, reading, below_v)
    _tell(context, bulk_v, "measured")
    return bulk_v


def _turn_leads(context: Context, wanted: Polarity) -> None:
    if context.polarity == wanted:
        return
    power_off(context)
    text = (
        f"{OFF} Change over the supply's leads at the unit's input: plus where minus is now, and "
        "minus where plus is."
    )
    if wanted == "normal":
        text += " Then they are as they were at first."
    done = context.operator.turn_leads(text)
    context.stop.raise_if_requested()
    context.event(EventKind.LEADS, f"the supply's leads {'' if done else 'not '}{wanted}")
    if not done:
        raise Refused(["Nobody changed over the supply's leads: the start would be another one."])
    context.polarity = wanted


def stay_off(context: Context, off_s: float) -> None:
    """Let power stay off for so long at least, counted from its confirmation."""
    begin_s = context.clock.now_s()
    while (left_s := begin_s + off_s - context.clock.now_s()) > 0.0:
        context.stop.raise_if_requested()
        context.clock.sleep_s(min(left_s, _LOOK_S))


def _meter_across(context: Context) -> str | None:
    """Return the reading of a meter that stands across the bulk capacitor; None: none does."""
    for key, meter in context.bench.file.all_meters.items():
        across = context.meter_at.across if meter.at is None else meter.at
        series = context.meter_at.series if meter.at is None else meter.wired_for == "current"
        if across == "bulk" and not series and context.bench.readers[key].has("measure_voltage_dc"):
            return f"{key}.voltage_dc"
    return None


def _read_v(context: Context, reading: str) -> float:
    """Read the capacitor's voltage, or refuse to go on."""
    try:
        return _most_v(context, reading)
    except InstrumentError as error:
        raise Refused([f"What is left on the bulk capacitor is not known: {error}"]) from error


def _most_v(context: Context, reading: str) -> float:
    """Read the capacitor's voltage, with what the meter may be off by on top."""
    context.bench.readers[reading.partition(".")[0]].check_in_sync()
    volts = read_cold(context, reading)
    return max(0.0, abs(volts) + context.error_of(reading, volts))


def _discharged_v(context: Context, reading: str, below_v: float) -> float:
    """Have the capacitor discharged through a resistor; return what is left of it."""
    line, envelope = context.plan.profile.fed.input, context.plan.profile.envelope
    highest_v = line.stored_v(envelope.voltage_v)
    ohm = _resistor_ohm(highest_v)
    note = f"{resistor_text(ohm, highest_v)} The run waits until the meter reads below "
    if not place_across_bulk(context, ohm, f"{note}{format_quantity(below_v, 'V')}"):
        raise Refused(["Nobody connected the resistor: the bulk capacitor is still charged."])
    end_s = context.clock.now_s() + _LONGEST_S
    while (bulk_v := _read_v(context, reading)) >= below_v:
        if context.clock.now_s() > end_s:
            holds = f"The bulk capacitor still holds {format_quantity(bulk_v, 'V', 3)}"
            resistor = format_quantity(ohm, "ohm")
            raise Refused([f"{holds} after {_LONGEST_S:g} s with {resistor} across it."])
        context.clock.sleep_s(_LOOK_S)
    if not place_across_bulk(context, None):
        raise Refused(["Nobody took the resistor off the bulk capacitor."])
    return bulk_v


def _resistor_ohm(highest_v: float) -> float:
    """Return the least usual resistor that up to so many volts may be across."""
    least_ohm = highest_v**2 / _RESISTOR_W
    decade = 10.0 ** math.floor(math.log10(least_ohm))
    return next(
        step * decade * times
        for times in (1.0, 10.0)
        for step in _SERIES
        if step * decade * times >= least_ohm * (1 - 1e-9)
    )


def _asked_v(context: Context, below_v: float | None) -> float:
    """Ask the person at the bench for the capacitor's voltage."""
    wanted = "" if below_v is None else format_quantity(below_v, "V")
    first = f" Discharge it first, until it is below {wanted}." if wanted else ""
    answer, note = context.operator.ask_value(
        f"{OFF} {ASK_BULK}.{boosted_caution(context)}{first}", "V"
    )
    context.stop.raise_if_requested()
    if answer is None or not math.isfinite(answer):  # no number would be taken for nothing
        raise Refused(["Nobody measured what is left on the bulk capacitor: its start is unknown."])
    bulk_v = abs(float(answer))
    _tell(context, bulk_v, f"by hand{f' ({note})' if note else ''}")
    if below_v is not None and bulk_v >= below_v:
        holds = f"The bulk capacitor holds {format_quantity(bulk_v, 'V', 3)}"
        raise Refused([f"{holds}, and the start is for less than {wanted}."])
    return bulk_v


def _tell(context: Context, bulk_v: float, how: str) -> None:
    told = f"at most {format_quantity(bulk_v, 'V', 3)} across the bulk capacitor, {how}"
    context.event(EventKind.RESIDUAL, f"{told}: the allowance begins there")
