"""Whether supply and meter see the same voltage: one low level, through the keeper, then off."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field

import numpy as np

from harness.bench.clock import Clock
from harness.bench.finding import Finding, Mark
from harness.bench.roles import Meter
from harness.errors import Refused
from harness.judge.uncertainty import Contribution, combine, rectangular, scatter
from harness.power.commands import Arm, OperatingEnvelope, SwitchOn
from harness.power.port import Bench, Power
from harness.profile.bench_file import Accuracy, BenchFile
from harness.profile.preflight import identity_reasons
from harness.quantity import format_quantity

#: The level: at most so much, and at most such a share of the supply's range.
_MOST_V, _RANGE_FRAC = 1.0, 0.05
#: Current limit: nothing should draw current, and nothing is harmed by so little.
LIMIT_A = 0.05
#: From this share of its setting on the voltage counts as there.
_THERE_FRAC = 0.98
#: Below this share of the supply's voltage the meter sees none of it, or all but of it reversed.
_NOTHING_FRAC = 0.1
#: Longest wait for the level, then pairs of readings that are compared.
_RISE_S, _PAIRS = 3.0, 8


@dataclass(slots=True)
class Pairs:
    """Readings of supply and meter, taken one right after the other, in volts."""

    supply_v: list[float] = field(default_factory=list)
    meter_v: list[float] = field(default_factory=list)


def low_level_v(file: BenchFile) -> float:
    """Return the voltage the supply is set to, in volts (rms for AC)."""
    range_v = file.supply.range.voltage_v
    return _MOST_V if range_v is None else min(_MOST_V, _RANGE_FRAC * range_v)


def check_leads(
    file: BenchFile,
    clock: Clock,
    connect: AbstractContextManager[Bench],
    *,
    raise_if_requested: Callable[[], None] = lambda: None,
) -> Finding:
    """Set a low level and compare supply and meter; the output is off on every way out.

    Args:
        file: The bench file.
        clock: Tells when to give up waiting for the level.
        connect: Opens the bench, its keeper included.
        raise_if_requested: Raises where somebody wants to stop; looked at between two messages.

    Raises:
        Refused: There is no meter to compare with, or an instrument is not the right one.
        Tripped: Power was cut on the way.
        InstrumentError: An instrument failed; power is off.
        PowerOffUnconfirmed: Output off could not be confirmed: cut the mains by hand.
    """
    if file.meter is None:
        raise Refused(["This bench has no meter to compare the supply with."])
    quantity = f"voltage_{file.supply.kind}"
    with connect as bench:
        require_identities(file, bench.identities())
        assert bench.meter is not None
        if not bench.meter.has(f"measure_{quantity}"):
            raise Refused([f"The meter's dialect cannot measure {quantity}."])
        power = bench.power(low_limits(file), lambda *_: None, lambda _: None)
        try:
            pairs = _compare(
                power, bench.meter, quantity, low_level_v(file), clock, raise_if_requested
            )
        finally:
            power.power_off()
    accuracy = file.meter.accuracy.get(quantity)
    return judge_leads(pairs, file.supply.accuracy.get("voltage"), accuracy)


def require_identities(file: BenchFile, identities: dict[str, str]) -> None:
    """Refuse to switch anything on that is not what the bench file says."""
    reasons = tuple(identity_reasons(file, identities))
    if reasons:
        raise Refused(reasons)


def low_limits(file: BenchFile) -> OperatingEnvelope:
    """Return the keeper's bounds: twice the level and the limit, since readings have errors."""
    level_v = low_level_v(file)
    accuracy = file.supply.accuracy.get("voltage")
    voltage_v = 2 * level_v + (accuracy.bound(level_v) if accuracy else 0.0)
    return OperatingEnvelope(
        voltage_v=voltage_v, current_a=2 * LIMIT_A, power_w=2 * LIMIT_A * voltage_v
    )


def _compare(
    power: Power,
    meter: Meter,
    quantity: str,
    level_v: float,
    clock: Clock,
    raise_if_requested: Callable[[], None],
) -> Pairs:
    """Switch on, wait for the level, and read both in turn."""
    raise_if_requested()
    power.command(Arm(voltage_v=level_v, current_limit_a=LIMIT_A))
    power.command(SwitchOn())
    end_s = clock.now_s() + _RISE_S
    while power.sample().voltage_v < _THERE_FRAC * level_v and clock.now_s() < end_s:
        raise_if_requested()
    pairs = Pairs()
    for _ in range(_PAIRS):
        raise_if_requested()
        power.expect_silence(meter.longest_s)
        pairs.meter_v.append(meter.read(quantity)[quantity])
        pairs.supply_v.append(power.sample().voltage_v)
    return pairs


def judge_leads(pairs: Pairs, supply: Accuracy | None, meter: Accuracy | None) -> Finding:
    """Compare the readings of supply and meter (pure).

    Args:
        pairs: The readings.
        supply: The supply's accuracy, or None where the bench file gives none.
        meter: The meter's, likewise.

    Source: agreement where the difference is inside its own expanded uncertainty (95 %), the
        accuracies taken as rectangular: JCGM 100:2008, 4.3.7, 5.1.2 and G.3.
    """
    supply_v, meter_v = (np.array(each) for each in (pairs.supply_v, pairs.meter_v))
    at_supply_v, at_meter_v = float(supply_v.mean()), float(meter_v.mean())
    causes: list[Contribution] = [scatter("difference", meter_v - supply_v)]
    if supply is not None:
        causes.append(rectangular("supply", supply.bound(at_supply_v)))
    if meter is not None:
        causes.append(rectangular("meter", meter.bound(at_meter_v)))
    apart_v, allowed_v = abs(at_meter_v - at_supply_v), combine(causes).expanded
    text = (
        f"{format_quantity(at_supply_v, 'V')} at the supply, "
        f"{format_quantity(at_meter_v, 'V')} at the meter: "
        f"{format_quantity(apart_v, 'V', 2)} apart"
    )
    if supply is None or meter is None:
        remedy = "give the accuracy of both in the bench file, then they can be compared"
        return Finding(mark=Mark.NOTE, check="leads", text=text, remedy=remedy)
    text = f"{text}, {format_quantity(allowed_v, 'V', 2)} allowed"
    if apart_v <= allowed_v:  # written so that a value that is no number does not agree
        return Finding(mark=Mark.OK, check="leads", text=text)
    remedy = _look_for(at_supply_v, at_meter_v)
    return Finding(mark=Mark.WRONG, check="leads", text=text, remedy=remedy)


def _look_for(at_supply_v: float, at_meter_v: float) -> str:
    """Say where to look first (common practice)."""
    if abs(at_meter_v) < _NOTHING_FRAC * abs(at_supply_v):
        return (
            "the meter does not see the supply: look for a lead in the wrong jack, a broken one, "
            "or a meter that is across something else"
        )
    if abs(at_meter_v + at_supply_v) < _NOTHING_FRAC * abs(at_supply_v):
        return "the leads of the meter are the wrong way round"
    return (
        "look for sense leads that are open or reversed, a loose clamp, something that draws "
        "current, or an instrument out of calibration"
    )
