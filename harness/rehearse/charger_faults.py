"""Faults of the charging stage of a battery charger."""

from __future__ import annotations

from harness.rehearse import needs
from harness.rehearse.fault import Border, Fault, Remedy, Severity, changed
from harness.rehearse.unit_model import UnitModel
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit

#: How far the current of a charge may be off the nameplate's, and its highest voltage above it.
_CURRENT_OFF, _VOLTAGE_OVER = 0.1, 0.015


def _output(unit: Unit) -> ChargerOutput:
    output = next(iter(unit.output.values()))
    assert isinstance(output, ChargerOutput)  # of a unit that has such a fault
    return output


def _current_a(model: UnitModel) -> float:
    return 0.0 if model.charger is None else model.charger.current_a


def _is_off(model: UnitModel, unit: Unit) -> bool:
    nominal_a = _output(unit).current_a
    return abs(_current_a(model) - nominal_a) >= _CURRENT_OFF * nominal_a


def _is_over(model: UnitModel, unit: Unit) -> bool:
    stage, most_v = model.charger, _output(unit).nominal_v
    return stage is not None and stage.voltage_v >= (1.0 + _VOLTAGE_OVER) * most_v


def _wakes_too_late(model: UnitModel, unit: Unit) -> bool:
    return model.charger is not None and model.charger.wake_v > _output(unit).lowest_v


def _goes_on(model: UnitModel, unit: Unit) -> bool:
    stage, end_a = model.charger, _output(unit).end_current_a
    return stage is not None and stage.least_a >= (end_a or 0.0)


def _drains(model: UnitModel, unit: Unit) -> bool:
    stage, output = model.charger, _output(unit)
    if stage is None or output.drain_a is None:
        return True
    return output.nominal_v / stage.drain_ohm >= output.drain_a


def _scaled(name: str, model: UnitModel, times: float) -> UnitModel:
    return changed(model, "charger", **{name: times * getattr(model.charger, name)})


_OFF = Border(
    "current of the charge 10 % or more off the nameplate's",
    "nameplate, 10 % (common practice)",
    _is_off,
)

CHARGER_FAULTS = (
    Fault(
        name="wakes-unasked",
        summary="charger gives its voltage without a battery",
        charges=True,
        border=Border("always", "nameplate: it waits for a battery"),
        shown_by="voltmeter at the contacts, power on, no battery",
        change=lambda model, _: changed(model, "charger", wake_v=0.0),
        remedies=(
            Remedy("nominal", "meter.voltage_dc", "high", "without a battery it gives its voltage"),
        ),
    ),
    Fault(
        name="wakes-late",
        summary="charger does not find a battery that is low",
        charges=True,
        border=Border(
            "it wakes above the least battery of its range", "nameplate's range", _wakes_too_late
        ),
        shown_by="adjustable small supply at the contacts: the voltage at which it wakes",
        need=needs.HELD_VOLTAGE,
        severity=Severity(
            "voltage at which it wakes, in times of the usual one",
            "1",
            (1.8, 2.5, 3.6),
            (1.0, 10.0),
        ),
        laws=("wake_share",),
        change=lambda model, times: _scaled("wake_v", model, times),
        remedies=(Remedy("load", "load.current", "low", "at the least battery it gives nothing"),),
    ),
    Fault(
        name="charge-current-low",
        summary="charger gives too little current",
        charges=True,
        border=_OFF,
        shown_by="ammeter in the lead of a battery that is low",
        need=needs.CHARGES,
        severity=Severity(
            "current of the charge, in times of the usual one", "%", (0.85, 0.6, 0.2), (0.01, 1.0)
        ),
        laws=("charge_share",),
        change=lambda model, share: _scaled("current_a", model, share),
        remedies=(
            Remedy("load", "load.current", "low", "into the voltage of a battery it gives less"),
            Remedy("line", "meter.current_dc", "low", "into a battery it gives less"),
        ),
    ),
    Fault(
        name="charge-current-high",
        summary="charger gives too much current",
        charges=True,
        border=_OFF,
        shown_by="ammeter in the lead of a battery that is low",
        need=needs.CHARGES,
        severity=Severity(
            "current of the charge, in times of the usual one", "%", (1.15, 1.3, 1.6), (1.0, 3.0)
        ),
        laws=("charge_share",),
        change=lambda model, share: _scaled("current_a", model, share),
        remedies=(
            Remedy("load", "load.current", "high", "into the voltage of a battery it gives more"),
            Remedy("line", "meter.current_dc", "high", "into a battery it gives more"),
        ),
    ),
    Fault(
        name="charge-voltage-high",
        summary="charger charges to too high a voltage",
        charges=True,
        border=Border(
            "1.5 % or more above the highest voltage of the range",
            "nameplate; a charge is held to 1 % (common practice)",
            _is_over,
        ),
        shown_by="voltmeter at a battery that is full, while it is charged",
        need=needs.CHARGED_TO_THE_END,
        severity=Severity(
            "highest voltage, above the usual one", "%", (0.025, 0.05, 0.15), (0.0, 1.0)
        ),
        change=lambda model, over: _scaled("voltage_v", model, 1.0 + over),
        remedies=(
            Remedy("load", "meter.voltage_dc", "high", "a full battery is driven too high"),
            Remedy("soak", "meter.voltage_dc", "high", "at the end a battery is driven too high"),
        ),
    ),
    Fault(
        name="taper-never-ends",
        summary="charge does not end: a current goes on into a full battery",
        charges=True,
        border=Border(
            "at or above the current at which the nameplate ends the charge", "nameplate", _goes_on
        ),
        shown_by="ammeter in the lead of a battery that is full, after an hour",
        need=needs.CHARGED_TO_THE_END,
        severity=Severity(
            "current that goes on, of the charge's", "%", (0.15, 0.3, 1.0), (0.001, 1.0)
        ),
        laws=("charge_share", "end_share"),
        change=lambda model, share: changed(model, "charger", least_a=share * _current_a(model)),
        remedies=(
            Remedy("soak", "meter.current_dc", "high", "at the end of the charge it goes on"),
            Remedy("soak", "supply.power", "high", "at the end of the charge it still takes power"),
        ),
    ),
    Fault(
        name="reverse-leakage",
        summary="charger draws current from the battery while it is without mains",
        charges=True,
        border=Border("at or above the nameplate's drain", "nameplate's drain", _drains),
        shown_by="ammeter in the lead of a battery, mains off; the blocking diode by itself",
        need=needs.DRAINED,
        severity=Severity(
            "current out of the battery, in times of the usual one",
            "1",
            (4.5, 15.0, 200.0),
            (1.0, 1e5),
            by_decades=True,
        ),
        laws=("drain_share",),
        change=lambda model, times: _scaled("drain_ohm", model, 1.0 / times),
        remedies=(
            Remedy("drain", "meter.current_dc", "low", "mains off, it flows out of the battery"),
            Remedy("cold", "meter.resistance", "low", "across the contacts, no battery there"),
        ),
    ),
)
