"""Whether supply and meter see the same voltage: one low level, through the keeper, then off."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass

import numpy as np

from harness.bench.clock import Clock
from harness.bench.dialect import bench_dialects
from harness.bench.finding import Finding, Mark
from harness.errors import Refused
from harness.judge.uncertainty import combine, rectangular, scatter
from harness.power.commands import Arm, SwitchOn
from harness.power.envelope import OperatingEnvelope
from harness.power.port import Bench, Power
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.preflight import identity_reasons
from harness.quantity import format_quantity

#: The level: at most so much, and at most such a share of the supply's range.
_MOST_V, _RANGE_FRAC = 1.0, 0.05
#: Current limit: next to nothing should draw current, and nothing is harmed by so little.
LIMIT_A = 0.05
#: From this share of its setting on the voltage counts as risen, and longest wait for it.
_RISEN_FRAC, RISE_S = 0.98, 3.0
#: Below this share of the supply's voltage the meter sees none of it, or all but of it reversed.
_NOTHING_FRAC = 0.1
#: Pairs of readings that are compared.
_PAIRS = 8


def low_level_v(file: BenchFile) -> float:
    """Return the voltage the supply is set to, in volts (rms for AC)."""
    range_v = file.supply.range.voltage_v
    return _MOST_V if range_v is None else min(_MOST_V, _RANGE_FRAC * range_v)


@dataclass(frozen=True, slots=True)
class LowLevel:
    """A supply in the keeper's hands that is set to the low level and to nothing else."""

    power: Power
    clock: Clock
    level_v: float
    raise_if_requested: Callable[
        [], None
    ]  # raises where somebody wants to stop; called between two messages

    def arm(self, limit_a: float = LIMIT_A) -> None:
        """Prepare to switch on, at no more than the usual limit."""
        self.raise_if_requested()
        self.power.command(Arm(voltage_v=self.level_v, current_limit_a=min(limit_a, LIMIT_A)))

    def until(self, reached: Callable[[float], bool], longest_s: float) -> bool:
        """Take samples until the voltage is where it should be; False if that takes too long."""
        end_s = self.clock.now_s() + longest_s
        while True:
            self.raise_if_requested()
            if reached(self.power.sample().voltage_v):
                return True
            if self.clock.now_s() >= end_s:
                return False

    def empties(self, share: float, longest_s: float) -> bool:
        """Read the supply, whose output is off, until so little of the level is left at it."""
        end_s = self.clock.now_s() + longest_s
        while True:
            self.raise_if_requested()
            values = self.power.read("supply", "voltage", "current")
            if abs(values["voltage"]) <= share * self.level_v:
                return True
            if self.clock.now_s() >= end_s:
                return False


@contextlib.contextmanager
def at_low_level(
    file: BenchFile,
    clock: Clock,
    connect: AbstractContextManager[Bench],
    raise_if_requested: Callable[[], None],
) -> Iterator[tuple[Bench, LowLevel]]:
    """Open a bench whose instruments are the right ones; the output is off on every way out.

    The keeper's bounds are twice the level and the limit, since readings have errors.
    """
    level_v = low_level_v(file)
    accuracy = file.feed.accuracy.get("voltage")
    most_v = 2 * level_v + (accuracy.bound(level_v) if accuracy else 0.0)
    current = file.feed.accuracy.get("current")
    bounds = OperatingEnvelope(
        voltage_v=most_v,
        current_a=2 * LIMIT_A,
        power_w=2 * LIMIT_A * most_v,
        current_error_a=current.bound(0.0) if current else 0.0,  # no current may read below zero
    )
    with connect as bench:
        reasons = tuple(identity_reasons(file, bench.identities()))
        if reasons:
            raise Refused(reasons)
        power = bench.power(bounds, lambda *_: None, lambda _: None)
        try:
            yield bench, LowLevel(power, clock, level_v, raise_if_requested)
        finally:
            power.power_off()


def check_leads(
    file: BenchFile,
    clock: Clock,
    connect: AbstractContextManager[Bench],
    raise_if_requested: Callable[[], None],
) -> Finding:
    """Set a low level and compare supply and meter; the output is off on every way out.

    The bench comes with its keeper; what obeys a wish to stop is called between two messages.

    Raises:
        Refused: There is no meter to compare with, or an instrument is not the right one.
        Tripped: Power was cut on the way.
        InstrumentError: An instrument failed; power is off.
        PowerOffUnconfirmed: Output off could not be confirmed: cut the mains by hand.
    """
    if file.meter is None:
        raise Refused(["This bench has no meter to compare the supply with."])
    quantity = f"voltage_{file.gives}"
    if f"measure_{quantity}" not in bench_dialects(file)["meter"].operations:
        raise Refused([f"The meter's dialect cannot measure {quantity}."])
    supply_v, meter_v = [], []
    with at_low_level(file, clock, connect, raise_if_requested) as (bench, low):
        assert bench.meter is not None
        low.arm()
        low.power.command(SwitchOn())
        low.until(lambda volts: volts >= _RISEN_FRAC * low.level_v, RISE_S)
        for _ in range(_PAIRS):
            low.power.expect_silence(bench.meter.longest_s)
            meter_v.append(bench.meter.read(quantity)[quantity])
            supply_v.append(low.power.sample().voltage_v)
            raise_if_requested()
    supply, meter = file.feed.accuracy.get("voltage"), file.meter.accuracy.get(quantity)
    return judge_leads(supply_v, meter_v, supply, meter)


def judge_leads(
    supply_v: Sequence[float],
    meter_v: Sequence[float],
    supply: Accuracy | None,
    meter: Accuracy | None,
) -> Finding:
    """Compare readings of supply and meter, taken in pairs, with their accuracies (pure).

    Source: agreement where the difference is inside its own expanded uncertainty (95 %), the
        accuracies taken as rectangular: JCGM 100:2008, 4.3.7, 5.1.2 and G.3.
    """
    at_supply_v, at_meter_v = float(np.mean(supply_v)), float(np.mean(meter_v))
    apart_v = abs(at_meter_v - at_supply_v)
    text = (
        f"{format_quantity(at_supply_v, 'V')} at the supply, "
        f"{format_quantity(at_meter_v, 'V')} at the meter: "
        f"{format_quantity(apart_v, 'V', 2)} apart"
    )
    if supply is None or meter is None:
        remedy = "give the accuracy of both in the bench file, then they can be compared"
        return Finding(Mark.NOTE, "leads", text, remedy)
    causes = (
        scatter("difference", np.subtract(meter_v, supply_v)),
        rectangular("supply", supply.bound(at_supply_v)),
        rectangular("meter", meter.bound(at_meter_v)),
    )
    allowed_v = combine(causes).expanded
    text = f"{text}, {format_quantity(allowed_v, 'V', 2)} allowed"
    if apart_v <= allowed_v:  # written so that a value that is no number does not agree
        return Finding(Mark.OK, "leads", text)
    # where to look first: common practice
    remedy = (
        "look for sense leads that are open or reversed, a loose clamp, something that draws "
        "current, or an instrument out of calibration"
    )
    if abs(at_meter_v) < _NOTHING_FRAC * abs(at_supply_v):
        remedy = (
            "the meter does not see the supply: look for a lead in the wrong jack, a broken one, "
            "or a meter that is across something else"
        )
    elif abs(at_meter_v + at_supply_v) < _NOTHING_FRAC * abs(at_supply_v):
        remedy = "the leads of the meter are the wrong way round"
    return Finding(Mark.WRONG, "leads", text, remedy)
