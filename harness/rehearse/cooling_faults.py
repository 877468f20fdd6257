"""Faults of the cooling: a fan that does not turn, and air that finds no way."""

from __future__ import annotations

from harness.rehearse import degrees, needs
from harness.rehearse.degrees import always
from harness.rehearse.fault import AC, Fault, Remedy, changed
from harness.rehearse.unit_model import UnitModel

#: Cooling over the flow of air, as a power; and the flow that is left without a fan.
_BY_FLOW, _BY_ITSELF = 0.8, 0.1
#: What a fault of the cooling is found by, the surest first.
_COOLING = (
    Remedy("soak", "meter.temperature", "high", "held for half an hour it gets too warm"),
    Remedy("load", "meter.temperature", "high", "held for half an hour it gets too warm"),
    Remedy(
        "soak", "operator.yes_no", "low", "whether air is felt at the outlet, asked for", asks="air"
    ),
)
_COOLING_LAWS = ("overlooked", "felt_air", "efficiency", "case_rise_k_per_w", "case_heating_s")


def _dead_fan(model: UnitModel, times: float) -> UnitModel:
    """The same heat goes into the same mass; it only leaves it worse. Source: textbook."""
    case = model.case
    return changed(
        model,
        "case",
        rise_k_per_w=times * case.rise_k_per_w,
        heating_s=times * case.heating_s,
        air_frac=0.0,
    )


def _stuck_fan(model: UnitModel, times: float) -> UnitModel:
    return changed(_dead_fan(model, times), "case", fan_sticks=True)


def _blocked_air(model: UnitModel, left: float) -> UnitModel:
    """Dust in the grille, or a case put together wrongly: the fan turns, and moves little.

    Source: What turbulent air carries away goes with its flow to the power 0.8 (Dittus and Boelter,
    textbook); what moves by itself counts for a tenth of the fan's (assumption).
    """
    times = max(left, _BY_ITSELF) ** -_BY_FLOW
    return changed(_dead_fan(model, times), "case", air_frac=left)


#: Beside other faults of units that work.
COOLING_FAULTS = (
    Fault(
        name="stuck-fan",
        charges=False,
        summary="bearing of the fan stuck",
        kinds=AC,
        border=always("a fan that does not turn cools nothing (common practice)"),
        shown_by="turned by hand, without power; temperature of the case, warm under load",
        need=needs.COOLED,
        severity=degrees.RISE,
        laws=_COOLING_LAWS,
        change=_stuck_fan,
        remedies=(
            *_COOLING,
            Remedy(
                "cold",
                "operator.yes_no",
                "low",
                "whether the fan turns freely by hand, asked for",
                asks="fan by hand",
            ),
        ),
    ),
    Fault(
        name="dead-fan",
        charges=False,
        summary="fan turns by hand, and does not run",
        kinds=AC,
        border=always("a fan that does not turn cools nothing (common practice)"),
        shown_by="a look at it under power; temperature of the case, warm under load",
        need=needs.COOLED,
        severity=degrees.RISE,
        laws=_COOLING_LAWS,
        change=_dead_fan,
        remedies=_COOLING,
    ),
    Fault(
        name="blocked-air",
        charges=False,
        summary="way of the air blocked, the fan runs",
        kinds=AC,
        border=always("the case warms twice as much: sheets have no room for it (common practice)"),
        shown_by="speed of the air at the outlet; temperature of the case, warm under load",
        need=needs.COOLED,
        severity=degrees.AIR,
        laws=_COOLING_LAWS,
        change=_blocked_air,
        remedies=_COOLING,
    ),
)
