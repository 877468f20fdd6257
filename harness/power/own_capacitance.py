"""The capacitance across a supply's own terminals: filled at a low level, with nothing connected.

It fills beside that of a unit, through the shunt that measures current, and counts as the unit's
where nobody knows it.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace

import numpy as np

from harness.bench.clock import Clock
from harness.bench.finding import Finding, Mark
from harness.bench.sample import SupplySample
from harness.judge.propagate import Estimate
from harness.judge.uncertainty import Contribution, combine, rectangular, scatter
from harness.power.commands import SwitchOff, SwitchOn
from harness.power.leads import RISE_S, LowLevel, at_low_level
from harness.power.port import Bench
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.quantity import format_quantity

#: Limits that are tried one after the other, round so that a coarse setting reads back as it was
#: sent; the first at which enough readings fall into the rise is the one that counts.
TRIED_A = (0.02, 0.005, 0.002, 0.001)
#: Readings wanted of the rise, and the fewest that tell anything.
_WANTED, _FEWEST = 12, 5
#: The rise ends at this share of the level; below the other the capacitor counts as empty.
_RISEN_FRAC, _EMPTY_FRAC = 0.95, 0.1
#: Readings at rest: what the supply reads of no current.
_AT_REST = 30
#: Longest wait for the capacitor to empty itself between two tries.
_EMPTIES_S = 5.0


@dataclass(frozen=True, slots=True)
class Rise:
    """Readings of one rise, from before the output came on, and those at rest after it."""

    limit_a: float
    samples: tuple[SupplySample, ...]
    at_rest: tuple[SupplySample, ...] = ()

    @property
    def enough(self) -> bool:
        """Whether it was slow enough."""
        return len(self.samples) > _WANTED


def measure_own_capacitance(
    file: BenchFile,
    clock: Clock,
    connect: AbstractContextManager[Bench],
    raise_if_requested: Callable[[], None],
) -> Finding:
    """Fill the supply's own capacitance at a small limit; nothing but the meter is connected.

    The bench, a wish to stop, what is raised and the way out are those of
    :func:`harness.power.leads.check_leads`.
    """
    with at_low_level(file, clock, connect, raise_if_requested) as (_, low):
        rises = _rises(low)
    return judge_own_capacitance(rises, file.feed.accuracy.get("voltage"))


def _rises(low: LowLevel) -> list[Rise]:
    """Rise at one limit after the other, until one is slow enough."""
    rises: list[Rise] = []
    for limit_a in TRIED_A:
        low.arm(limit_a)
        low.power.command(SwitchOn())
        samples: list[SupplySample] = []
        end_s = low.clock.now_s() + RISE_S
        while not samples or samples[-1].voltage_v < _RISEN_FRAC * low.level_v:
            if low.clock.now_s() >= end_s:
                return [*rises, Rise(limit_a, tuple(samples))]
            low.raise_if_requested()
            samples.append(low.power.sample())
        rise = Rise(limit_a, tuple(samples))
        if rise.enough or limit_a == TRIED_A[-1]:
            low.until(lambda volts: volts >= 0.999 * low.level_v, 0.2)
            at_rest = tuple(low.power.sample() for _ in range(_AT_REST))
            return [*rises, replace(rise, at_rest=at_rest)]
        rises.append(rise)
        low.power.command(SwitchOff())
        if not low.empties(_EMPTY_FRAC, _EMPTIES_S):
            return rises
    return rises


def judge_own_capacitance(rises: list[Rise], voltage: Accuracy | None) -> Finding:
    """Say what capacitance the last rise shows, and what to write in the bench file (pure)."""
    last, check = rises[-1], "capacitance"
    if not last.at_rest:
        limit = format_quantity(last.limit_a, "A")
        remedy = "take everything but the meter off the supply's terminals, and try again"
        return Finding(
            Mark.NOTE, check, f"not told: it does not rise and fall freely at {limit}", remedy
        )
    if len(last.samples) <= _FEWEST:
        limit = format_quantity(last.limit_a, "A")
        return Finding(
            Mark.NOTE,
            check,
            f"not told: full within {len(last.samples)} readings at {limit}; it is small",
        )
    if voltage is None:
        return Finding(Mark.NOTE, check, "not told: no accuracy of the supply's voltage is stated")
    found = own_capacitance(last, voltage)
    expanded = combine(found.contributions).expanded
    if not 0.0 < expanded < 0.5 * found.value:
        return Finding(
            Mark.NOTE, check, "not told: its charge is too small beside the readings' scatter"
        )
    value, error = format_quantity(found.value, "F", 2), format_quantity(expanded, "F", 2)
    text = (
        f"{value} across its own terminals, known to {error} (95 %); in the bench file, [supply]:"
    )
    lines = (f'output_capacitance = "{value}"', f'output_capacitance_error = "{error}"')
    return Finding(Mark.OK, check, text, "", lines)


def own_capacitance(rise: Rise, voltage: Accuracy) -> Estimate:
    """Return the charge of a rise, above what is read of no current, over the voltage gained.

    Source: Q = C V, textbook; the integral by the trapezoidal rule, whose ends fall between two
        readings; JCGM 100:2008, 5.1.2 and 4.3.7.
    """
    times_s = np.array([sample.time_s for sample in rise.samples])
    current_a = np.array([sample.current_a for sample in rise.samples])
    at_rest_a = np.array([sample.current_a for sample in rise.at_rest])
    first_v, last_v = rise.samples[0].voltage_v, rise.samples[-1].voltage_v
    gained_v, taken_s = last_v - first_v, float(times_s[-1] - times_s[0])
    above_a = current_a - float(at_rest_a.mean())
    value = float(np.trapezoid(above_a, times_s)) / gained_v
    apart_s = taken_s / (times_s.size - 1)
    highest_a = float(np.abs(above_a).max())
    rest = scatter("current at rest", at_rest_a, unit="A")
    bound_v = voltage.at(last_v)
    causes = (
        Contribution(
            name="scatter of supply current",
            standard=float(at_rest_a.std(ddof=1)),
            dof=at_rest_a.size - 1.0,
            sensitivity=apart_s * times_s.size**0.5 / gained_v,
            unit="A",
            distribution="t",
        ),
        replace(rest, sensitivity=taken_s / gained_v),
        replace(
            rectangular("between two readings", 0.5 * apart_s * highest_a, unit="C"),
            sensitivity=2.0**0.5 / gained_v,
        ),
        replace(
            rectangular("supply voltage gain", bound_v.reading_frac * gained_v, unit="V"),
            sensitivity=value / gained_v,
        ),
    )
    return Estimate(value=value, contributions=causes)
