"""Faults of units with several outputs or an enable input, each a fault of its own kind of unit."""

from __future__ import annotations

from dataclasses import replace

from harness.profile.schema import Profile
from harness.rehearse.degrees import SAG, always
from harness.rehearse.fault import Border, Fault, Need, Remedy, Severity
from harness.rehearse.unit_model import UnitModel
from harness.unit.nameplate import Unit

#: Fall of a rail under its nominal load from which on it is clearly faulty.
_FALL = 0.05
#: Rise of an output while the load of another one comes on, from which on it is.
_RISE = 0.1


def _is_loaded(profile: Profile, *, standby: bool) -> bool:
    """Whether a step draws from a standby output, or loads the first one step by step."""
    unit = profile.unit
    named = {name for name, each in unit.output.items() if getattr(each, "standby", False)}
    for step in profile.steps:
        own = getattr(step, "output", None) or next(iter(unit.output), "")
        draws = bool(getattr(step, "points", ()) or getattr(step, "point", None))
        loaded = {*getattr(step, "others", ()), *([own] if draws else [])}
        if loaded & named if standby else draws and own == next(iter(unit.output), ""):
            return True
    return False


def _looks_disabled(profile: Profile) -> bool:
    """Whether a step under power looks at an output while the enable input is let go."""
    enabled = False
    for step in profile.steps:
        told = getattr(step, "enable", None)
        enabled = enabled if told is None else told
        looks = any(check.measure == "meter.voltage_dc" for check in step.checks)
        if step.kind in ("nominal", "soak") and not enabled and looks:
            return True
    return False


STANDBY_LOADED = Need(
    "while the standby output is loaded, and this profile never does",
    'add a load step with others = { standby = "1 A" }, or with output = "standby"',
    lambda profile: _is_loaded(profile, standby=True),
)
DISABLED = Need(
    "while the enable input is let go, and no step under power looks at an output then",
    "add a nominal step with a check of meter.voltage_dc before the one with enable = true",
    _looks_disabled,
)
MAIN_LOADED = Need(
    "while the first output is loaded, and this profile never does",
    "add a load step with cross_regulation of another output",
    lambda profile: _is_loaded(profile, standby=False),
)


def _weak_standby(model: UnitModel, fall: float) -> UnitModel:
    """A dried-out output capacitor or a worn rectifier of the standby converter."""
    standby = model.standby
    if standby is None:
        return model
    ohm = fall * standby.output_v / standby.output_nominal_a
    return replace(model, standby=replace(standby, output_resistance_ohm=ohm))


def _standby_falls(model: UnitModel, _unit: Unit) -> bool:
    standby = model.standby
    if standby is None:
        return False
    return standby.output_resistance_ohm * standby.output_nominal_a >= _FALL * standby.output_v


def _cross_lost(model: UnitModel, rise: float) -> UnitModel:
    """A bad joint in the path of the first output, inside its loop, which makes up for it."""
    converter = model.converter
    return replace(model, loop_ohm=rise * converter.output_v / converter.output_nominal_a)


def _others_rise(model: UnitModel, _unit: Unit) -> bool:
    converter = model.converter
    return model.loop_ohm * converter.output_nominal_a >= _RISE * converter.output_v


RAIL_FAULTS = (
    Fault(
        name="weak-standby",
        summary="standby rail gives way under load",
        of="standby",
        border=Border(
            "falls by 5 % or more under its nominal load",
            "the usual tolerance of a 5 V rail (common practice)",
            _standby_falls,
        ),
        shown_by="nominal current drawn from the standby output, by voltmeter",
        need=STANDBY_LOADED,
        severity=SAG,
        laws=("droop",),
        change=_weak_standby,
        remedies=(
            Remedy(
                "load", "meter.voltage_dc", "low", "the standby rail is read while it is loaded"
            ),
        ),
    ),
    Fault(
        name="enable-ignored",
        summary="unit works without being enabled",
        of="enable",
        border=always("the enable input on its nameplate does nothing"),
        shown_by="voltmeter at the output, enable input open",
        need=DISABLED,
        change=lambda model, _: replace(model, converter=replace(model.converter, enable_v=None)),
        remedies=(
            Remedy("nominal", "meter.voltage_dc", "high", "the output is up while it is disabled"),
        ),
    ),
    Fault(
        name="lost-cross-regulation",
        summary="an output rises with the load of another one",
        of="rails",
        border=Border(
            "rises by 10 % or more from no load to nominal load of the first output",
            "sheets of units with several outputs state 3 % to 10 % (common practice)",
            _others_rise,
        ),
        shown_by="each output by voltmeter, the first one loaded and not",
        need=MAIN_LOADED,
        severity=Severity(
            "rise of the other outputs, of nominal", "%", (0.08, 0.15, 0.4), within=(0.0, 1.0)
        ),
        change=_cross_lost,
        remedies=(Remedy("load", "cross_regulation", "high", "the other output is read"),),
    ),
)
