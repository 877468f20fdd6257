"""Causes of the uncertainty of a reading: the instrument, its display, leads, scatter."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from harness.judge.propagate import Estimate
from harness.judge.series import drift, least_change
from harness.judge.uncertainty import Contribution, rectangular, scatter
from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.instruments import Instrument, Meter, Supply, Tester
from harness.profile.measures import BANDED, READINGS, role_of
from harness.run.context import Context

Series = Mapping[str, npt.NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Readings:
    """What was read of each measure, by its name: ``supply.voltage``."""

    values: Series  # each of shape ``(n,)``
    least_change: Mapping[str, float]  # of one reading to the next; infinite: none

    @classmethod
    def of(cls, values: Series) -> Readings:
        """Return readings that are all there, each by itself."""
        return cls(values, {name: least_change(series) for name, series in values.items()})

    def mean(self, measure: str) -> float:
        """Return the mean of a measure's readings."""
        return float(self.values[measure].mean())


@dataclass(frozen=True, slots=True)
class _Factor:
    """A reading that an instrument shows, and what the quantity asked for changes by it."""

    instrument: Instrument
    role: str
    quantity: str
    sensitivity: float

    @property
    def name(self) -> str:
        return f"{self.role.replace('_', ' ')} {self.quantity}"

    @property
    def measure(self) -> str:
        return f"{self.role}.{self.quantity}"

    @property
    def unit(self) -> str:
        return READINGS[role_of(self.role)][self.quantity]

    def digit(self, readings: Readings) -> tuple[float, str]:
        """Return the last digit of the display, and what it is called in a budget.

        Where nobody states it, it is no larger than the smallest change seen, and not known where
        none was.
        """
        stated = self.instrument.resolution.get(self.quantity)
        if stated is not None:
            return stated, f"{self.name} resolution"
        seen = readings.least_change.get(self.measure, math.inf)
        return seen, f"{self.name} resolution, by its smallest change"


def mean_of(context: Context, measure: str, readings: Readings) -> Estimate:
    """Mean of the readings, with the instrument's accuracy, its last digit, and their scatter."""
    causes = mean_causes(context.bench.file, measure, readings)
    return Estimate(value=readings.mean(measure), contributions=causes)


def mean_causes(bench: BenchFile, measure: str, readings: Readings) -> tuple[Contribution, ...]:
    """Causes of the uncertainty of a mean of readings: the instrument, then the scatter.

    A resolution that nobody states, and no change of a reading shows, lies inside the stated
    accuracy, as on data sheets that give it in per cent of the reading and digits.

    Source: JCGM 100:2008, 4.3.7 (a stated bound is rectangular), F.2.2.1 (resolution), 5.1.2
        (P = V I).
    """
    role, _, quantity = measure.partition(".")
    unit = READINGS.get(role_of(role), {}).get(quantity, "")
    return (
        *_instrument_causes(bench, measure, readings),
        scatter(f"scatter of {measure}", readings.values[measure], unit=unit),
    )


def drift_of(bench: BenchFile, measure: str, times: Series, readings: Readings) -> Estimate:
    """Change of a reading over a hold, with its scatter, the last digit, and the gain error.

    An offset is the same at both ends; of the gain error the part of the change is left. Where no
    reading changed and nobody states the last digit, nothing is known of the drift: it may be
    anything below that digit.

    Source: :func:`harness.judge.series.drift`; JCGM 100:2008, 4.3.7 and 5.1.2.
    """
    factors = _factors(bench, measure, readings)
    digits = [abs(factor.sensitivity) * factor.digit(readings)[0] for factor in factors]
    digit = math.fsum(digits)
    known = math.isfinite(digit)
    found = drift(times[measure], readings.values[measure], measure, digit=digit if known else 0.0)
    gains = tuple(
        rectangular(
            f"{factor.name} gain",
            abs(found.value)
            * factor.instrument.accuracy[factor.quantity]
            .at(readings.mean(factor.measure))
            .reading_frac,
        )
        for factor in factors
        if math.isfinite(found.value)
    )
    missing: tuple[Contribution, ...] = ()
    if not factors:
        missing = (_not_stated(measure),)
    elif not known:
        why = f"{measure}: no reading changed, and the bench file gives no resolution"
        missing = (Contribution(name=why, standard=math.inf),)
    return replace(found, contributions=(*found.contributions, *gains, *missing))


def _factors(bench: BenchFile, measure: str, readings: Readings) -> tuple[_Factor, ...]:
    """Return what a reading is made of; nothing where its accuracy is not stated.

    A DC power may follow from voltage and current.
    """
    role, _, quantity = measure.partition(".")
    instrument = bench.instruments.get(role)
    if instrument is None:
        return ()
    if quantity in instrument.accuracy:
        return (_Factor(instrument, role, quantity, 1.0),)
    is_ac = isinstance(instrument, Supply) and instrument.kind == "ac"  # V I is not real power
    if quantity == "power" and not is_ac and {"voltage", "current"} <= set(instrument.accuracy):
        voltage_v, current_a = readings.mean(f"{role}.voltage"), readings.mean(f"{role}.current")
        return (
            _Factor(instrument, role, "voltage", current_a),
            _Factor(instrument, role, "current", voltage_v),
        )
    return ()


def _not_stated(measure: str) -> Contribution:
    role, _, quantity = measure.partition(".")
    told = f"{role.replace('_', ' ')} {quantity}: no accuracy stated"
    return Contribution(name=told, standard=math.inf)


def instrument_causes(
    bench: BenchFile, measure: str, readings: Readings
) -> tuple[Contribution, ...]:
    """Causes of the uncertainty of a reading that are the instrument's own, without scatter."""
    return tuple(_instrument_causes(bench, measure, readings))


def _instrument_causes(
    bench: BenchFile, measure: str, readings: Readings
) -> Iterator[Contribution]:
    """Yield accuracy, resolution and leads, each with the sensitivity to it."""
    factors = _factors(bench, measure, readings)
    for factor in factors:
        for cause in _stated(factor, readings):
            yield replace(cause, sensitivity=factor.sensitivity)
    if not factors:
        yield _not_stated(measure)


def _stated(factor: _Factor, readings: Readings) -> Iterator[Contribution]:
    instrument, unit = factor.instrument, factor.unit
    bound = instrument.accuracy[factor.quantity].bound(readings.mean(factor.measure))
    yield rectangular(f"{factor.name} accuracy", bound, unit=unit)
    digit, name = factor.digit(readings)
    if math.isfinite(digit):
        yield rectangular(name, digit / 2, unit=unit)
    if isinstance(instrument, Meter) and factor.quantity == "resistance":
        leads_ohm = instrument.lead_resistance_ohm
        if leads_ohm is not None:
            # Leads only ever add, by how much is not known and not taken off: the whole of it
            # counts to either side, which overstates the uncertainty and never understates it.
            yield rectangular("lead resistance, two-wire", leads_ohm, unit=unit)


def tester_causes(check: Check, tester: Tester | None, reading: float) -> tuple[Contribution, ...]:
    """Causes of the uncertainty of a tester's reading; none where it is compared as it is.

    What the bench file says of the very tester goes before what the profile says of its kind.
    Where neither says anything, the guarded rule can decide nothing.
    """
    quantity = Tester.quantity_in(check.unit)
    accuracy, digit = check.accuracy, None
    if tester is not None:
        accuracy, digit = tester.accuracy.get(quantity, accuracy), tester.resolution.get(quantity)
    if accuracy is None:
        unknown = Contribution(name="tester: no accuracy stated", standard=math.inf)
        return (unknown,) if check.rule == "guarded" else ()
    causes = [rectangular("tester accuracy", accuracy.bound(reading), unit=check.unit)]
    if digit is not None:
        causes.append(rectangular("tester resolution", digit / 2, unit=check.unit))
    return tuple(causes)


def out_of_band(
    bench: BenchFile, check: Check, made_of: Sequence[str], value: float
) -> Iterator[Contribution]:
    """Yield what an AC voltage may be off by where its frequencies are not known to be read.

    Nobody knows how much: a ripple whose bandwidth is not stated, or is narrower than the check
    needs, decides nothing.
    """
    if check.measure not in BANDED or not made_of:
        return
    role, _, quantity = made_of[0].partition(".")
    instrument = bench.instruments.get(role)
    accuracy = None if instrument is None else instrument.accuracy.get(quantity)
    problem = "" if accuracy is None else accuracy.at(value).band_problem(check.bandwidth)
    if problem:
        yield Contribution(name=f"{role} {quantity}: {problem}", standard=math.inf)
