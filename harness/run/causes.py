"""Causes of the uncertainty of a reading: the instrument, its display, leads, scatter."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from harness.judge.propagate import Estimate
from harness.judge.uncertainty import Contribution, rectangular, scatter
from harness.profile.bench_file import BenchFile, Instrument, Meter, Supply
from harness.profile.check import Check
from harness.profile.measures import BANDED, READINGS
from harness.run.context import Context

#: Readings of one hold by measure name, each of shape ``(n,)``.
Readings = Mapping[str, npt.NDArray[np.float64]]


def mean_of(context: Context, measure: str, readings: Readings) -> Estimate:
    """Mean of the readings, with the instrument's accuracy and their scatter."""
    causes = mean_causes(context.bench.file, measure, readings)
    return Estimate(value=float(readings[measure].mean()), contributions=causes)


def mean_causes(bench: BenchFile, measure: str, readings: Readings) -> tuple[Contribution, ...]:
    """Causes of the uncertainty of a mean of readings: the instrument, then the scatter."""
    role, _, quantity = measure.partition(".")
    unit = READINGS.get(role, {}).get(quantity, "")
    return (
        *_instrument_causes(bench.instruments.get(role), role, quantity, readings),
        scatter(f"scatter of {measure}", readings[measure], unit=unit),
    )


def _instrument_causes(
    instrument: Instrument | None, role: str, quantity: str, readings: Readings
) -> Iterator[Contribution]:
    """Accuracy, resolution and leads; a DC power may follow from voltage and current.

    Source: JCGM 100:2008, 4.3.7 (a stated bound is rectangular), F.2.2.1 (resolution), 5.1.2
        (P = V I).
    """
    if instrument is not None:
        stated = instrument.accuracy
        if quantity in stated:
            yield from _stated(instrument, role, quantity, readings)
            return
        is_ac = isinstance(instrument, Supply) and instrument.kind == "ac"  # V I is not real power
        if quantity == "power" and not is_ac and {"voltage", "current"} <= set(stated):
            voltage_v = float(readings[f"{role}.voltage"].mean())
            current_a = float(readings[f"{role}.current"].mean())
            for factor, sensitivity in (("voltage", current_a), ("current", voltage_v)):
                for cause in _stated(instrument, role, factor, readings):
                    yield replace(cause, sensitivity=sensitivity)
            return
    yield Contribution(name=f"{role} {quantity}: no accuracy stated", standard=math.inf)


def _stated(
    instrument: Instrument, role: str, quantity: str, readings: Readings
) -> Iterator[Contribution]:
    unit = READINGS[role][quantity]
    bound = instrument.accuracy[quantity].bound(float(readings[f"{role}.{quantity}"].mean()))
    yield rectangular(f"{role} {quantity} accuracy", bound, unit=unit)
    digit = instrument.resolution.get(quantity)
    if digit is not None:
        yield rectangular(f"{role} {quantity} resolution", digit / 2, unit=unit)
    if isinstance(instrument, Meter) and quantity == "resistance":
        leads_ohm = instrument.lead_resistance_ohm
        if leads_ohm is not None:
            # Leads only ever add, by how much is not known and not taken off: the whole of it
            # counts to either side, which overstates the uncertainty and never understates it.
            yield rectangular("lead resistance, two-wire", leads_ohm, unit=unit)


def out_of_band(bench: BenchFile, check: Check, value: float) -> Iterator[Contribution]:
    """Yield what an AC voltage may be off by where its frequencies are not known to be read.

    Nobody knows how much: a ripple whose bandwidth is not stated, or is narrower than the check
    needs, decides nothing.
    """
    role, _, quantity = check.measure.partition(".")
    instrument = bench.instruments.get(role) if check.measure in BANDED else None
    accuracy = None if instrument is None else instrument.accuracy.get(quantity)
    problem = "" if accuracy is None else accuracy.at(value).band_problem(check.bandwidth)
    if problem:
        yield Contribution(name=f"{role} {quantity}: {problem}", standard=math.inf)
