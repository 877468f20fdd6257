"""What the bench file says of an instrument, as causes of a reading's uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from harness.judge.uncertainty import Contribution, rectangular, scatter
from harness.profile.bench_file import BenchFile, Instrument, Meter, Supply
from harness.profile.measures import READINGS

Readings = Mapping[str, npt.NDArray[np.float64]]


def mean_causes(bench: BenchFile, measure: str, readings: Readings) -> tuple[Contribution, ...]:
    """Causes of the uncertainty of a mean of readings: the instrument, then the scatter.

    Args:
        bench: The bench.
        measure: Measure name (``meter.voltage_dc``).
        readings: Readings of one hold by measure name, each of shape ``(n,)``.
    """
    role, _, quantity = measure.partition(".")
    instrument = bench.instruments.get(role)
    unit = READINGS.get(role, {}).get(quantity, "")
    return (
        *_instrument_causes(instrument, role, quantity, readings),
        scatter(f"scatter of {measure}", readings[measure], unit=unit),
    )


def _instrument_causes(
    instrument: Instrument | None, role: str, quantity: str, readings: Readings
) -> Iterator[Contribution]:
    """Accuracy, resolution and leads; a DC power may follow from voltage and current.

    Source: JCGM 100:2008, 4.3.7 (a stated bound is rectangular), F.2.2.1 (resolution), 5.1.2
        (P = V I).
    """
    if instrument is not None and quantity in instrument.accuracy:
        yield from _stated(instrument, role, quantity, readings)
    elif instrument is not None and quantity == "power" and _from_both(instrument):
        voltage_v = float(readings[f"{role}.voltage"].mean())
        current_a = float(readings[f"{role}.current"].mean())
        for factor, sensitivity in (("voltage", current_a), ("current", voltage_v)):
            for cause in _stated(instrument, role, factor, readings):
                yield replace(cause, sensitivity=sensitivity)
    else:
        yield Contribution(name=f"{role} {quantity}: no accuracy stated", standard=math.inf)


def _from_both(instrument: Instrument) -> bool:
    """Whether power follows from voltage and current: real power of AC does not."""
    is_ac = isinstance(instrument, Supply) and instrument.kind == "ac"
    return {"voltage", "current"} <= set(instrument.accuracy) and not is_ac


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
