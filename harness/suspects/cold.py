"""Measurements without power that tell suspects apart, and what each unit of a library reads there.

Every one is made on a unit that is isolated, discharged and measured to be so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from harness.rehearse.unit_model import UnitModel

#: What an open circuit reads, whatever the meter calls it.
OPEN_OHM = 100e6
_LEAD_OHM = 0.05
#: Of a supply that is off.
_ANY_A = 1.0
#: Answers to a question.
YES, NO = 1.0, 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What a cold measurement is made on."""

    kind: str
    severity: float
    model: UnitModel
    #: Before a mistake at the bench changed what the supply sees.
    alone: UnitModel


@dataclass(frozen=True, kw_only=True, slots=True)
class ColdMeasurement:
    """One measurement without power."""

    #: What ``--found`` calls it.
    name: str
    #: Empty for a question that is answered with yes or no.
    unit: str
    how: str
    #: Of work, about (common practice).
    minutes: float
    #: How much more it takes for what it can do to whoever makes it: 1 at the terminals of a
    #: unit that is apart from everything, more inside it, most where a test puts voltage on a part.
    danger: float
    reads: Callable[[Seen], float]
    needs: Callable[[UnitModel], bool] = lambda _: True


def _ohms(where: str) -> Callable[[Seen], float]:
    def read(seen: Seen) -> float:
        # the circuit and all it is made of: only where units are simulated
        from harness.rehearse.circuit import circuit_of, source_for
        from harness.rehearse.readings import cold_resistance_ohm

        circuit = circuit_of(seen.alone, source_for(seen.alone.input_kind, _ANY_A))
        ohm = cold_resistance_ohm(circuit, where)
        return min(ohm, OPEN_OHM)

    return read


def _is_not(*kinds: str) -> Callable[[Seen], float]:
    return lambda seen: NO if seen.kind in kinds else YES


def _varistor_ohm(seen: Seen) -> float:
    if seen.alone.varistor is None:
        return min(seen.alone.defects.input_short_ohm, OPEN_OHM)
    return OPEN_OHM


def _varistor_v(seen: Seen) -> float:
    varistor = seen.alone.varistor
    return 1e-3 * _varistor_ohm(seen) if varistor is None else varistor.voltage_at_1ma_v


def _breakdown_v(seen: Seen) -> float:
    model = seen.alone
    if math.isfinite(model.defects.bulk_short_ohm):
        return 1e-3
    # a sound one stands more than twice the voltage it works at (common practice)
    return min(model.defects.breakdown_v, 2.5 * model.converter.nominal_bulk_v)


def _switch_ohm(seen: Seen) -> float:
    return min(seen.alone.defects.bulk_short_ohm, OPEN_OHM)


def _leak_a(seen: Seen) -> float:
    model = seen.alone
    siemens = 1.0 / model.bulk.leakage_ohm + 1.0 / model.defects.bulk_leak_ohm
    return model.converter.nominal_bulk_v * siemens


def _diodes(seen: Seen) -> float:
    model = seen.alone
    legs = model.rectifier.conducts_positive, model.rectifier.conducts_negative
    open_leg = not legs[0] or (model.input_kind == "ac" and not legs[1])
    return NO if open_leg or math.isfinite(model.defects.shorted_leg_ohm) else YES


def _lead_ohm(seen: Seen) -> float:
    if seen.kind == "bench-supply-leads-off":
        return OPEN_OHM
    added = seen.model.rectifier.resistance_ohm - seen.alone.rectifier.resistance_ohm
    return _LEAD_OHM + max(0.0, added)


def _has_limiter(model: UnitModel) -> bool:
    return model.rectifier.limiter is not None or model.rectifier.cold_limiter_ohm > 0.0


_AT_TERMINALS, _INSIDE, _LIFTED, _TESTED = 1.0, 1.5, 2.0, 4.0

#: Every measurement, the easiest first.
MEASUREMENTS: tuple[ColdMeasurement, ...] = (
    ColdMeasurement(
        name="leads as they should be",
        unit="",
        how="follow each lead of supply and meter from end to end",
        minutes=1.0,
        danger=_AT_TERMINALS,
        reads=_is_not(
            *("bench-supply-leads-off", "bench-supply-leads-swapped"),
            *("bench-meter-leads-swapped", "bench-meter-elsewhere"),
        ),
    ),
    ColdMeasurement(
        name="meter right on a known voltage",
        unit="",
        how="a battery of known voltage at the meter's leads, its range and the probe looked at",
        minutes=2.0,
        danger=_AT_TERMINALS,
        reads=_is_not("bench-meter-scale"),
    ),
    ColdMeasurement(
        name="resistance along supply leads",
        unit="ohm",
        how="ohmmeter from the supply's end to the unit's end of both leads, the leads moved",
        minutes=2.0,
        danger=_AT_TERMINALS,
        reads=_lead_ohm,
    ),
    ColdMeasurement(
        name="resistance across input",
        unit="ohm",
        how="ohmmeter across the input of the unit, plus to plus, until it rests",
        minutes=2.0,
        danger=_AT_TERMINALS,
        reads=_ohms("input"),
    ),
    ColdMeasurement(
        name="resistance across input reversed",
        unit="ohm",
        how="ohmmeter across the input of the unit, its leads exchanged, until it rests",
        minutes=2.0,
        danger=_AT_TERMINALS,
        reads=_ohms("input reversed"),
    ),
    ColdMeasurement(
        name="resistance of fuse",
        unit="ohm",
        how="ohmmeter across the fuse",
        minutes=3.0,
        danger=_INSIDE,
        reads=_ohms("fuse"),
    ),
    ColdMeasurement(
        name="resistance across bulk capacitor",
        unit="ohm",
        how="ohmmeter across the bulk capacitor, plus to plus, until it rests",
        minutes=4.0,
        danger=_INSIDE,
        reads=_ohms("bulk"),
    ),
    ColdMeasurement(
        name="diode test passed",
        unit="",
        how="diode test of each rectifier diode, both ways",
        minutes=5.0,
        danger=_INSIDE,
        reads=_diodes,
    ),
    ColdMeasurement(
        name="resistance of cold limiter",
        unit="ohm",
        how="ohmmeter across the cold inrush limiter",
        minutes=4.0,
        danger=_INSIDE,
        reads=_ohms("limiter"),
        needs=_has_limiter,
    ),
    ColdMeasurement(
        name="series resistance of bulk capacitor",
        unit="ohm",
        how="tester of series resistance at 100 kHz, below 0.1 V",
        minutes=5.0,
        danger=_INSIDE,
        reads=lambda seen: seen.alone.bulk.series_resistance_ohm,
    ),
    ColdMeasurement(
        name="fan turns by hand",
        unit="",
        how="turn the fan with a finger",
        minutes=3.0,
        danger=_INSIDE,
        reads=lambda seen: NO if seen.alone.case.fan_sticks else YES,
    ),
    ColdMeasurement(
        name="resistance of varistor",
        unit="ohm",
        how="ohmmeter across the varistor, one lead lifted",
        minutes=10.0,
        danger=_LIFTED,
        reads=_varistor_ohm,
    ),
    ColdMeasurement(
        name="resistance of transistor",
        unit="ohm",
        how="ohmmeter across the switching transistor, lifted",
        minutes=12.0,
        danger=_LIFTED,
        reads=_switch_ohm,
    ),
    ColdMeasurement(
        name="capacitance of bulk capacitor",
        unit="F",
        how="capacitance meter at 100 Hz or 120 Hz, one lead lifted",
        minutes=12.0,
        danger=_LIFTED,
        reads=lambda seen: seen.alone.bulk.capacitance_f,
    ),
    ColdMeasurement(
        name="voltage of varistor at 1 mA",
        unit="V",
        how="DC source limited to 1 mA across the varistor, one lead lifted",
        minutes=15.0,
        danger=_TESTED,
        reads=_varistor_v,
    ),
    ColdMeasurement(
        name="leakage of bulk capacitor",
        unit="A",
        how="DC source through a resistor at its working voltage, lifted, after 5 min",
        minutes=20.0,
        danger=_TESTED,
        reads=_leak_a,
    ),
    ColdMeasurement(
        name="breakdown voltage of transistor",
        unit="V",
        how="breakdown test of the transistor, lifted, its current limited to 1 mA",
        minutes=20.0,
        danger=_TESTED,
        reads=_breakdown_v,
    ),
)


def readings(seen: Seen) -> Mapping[str, float]:
    """Return what a unit reads in every measurement that can be made on it, by its name."""
    return {one.name: one.reads(seen) for one in MEASUREMENTS if one.needs(seen.alone)}
