"""The cold check that settles each kind of part: what to measure without power, what to expect.

Expected figures are common practice of repair, from memory, unless a line names another source.
All are taken unplugged, with every capacitor discharged and that proved with a meter.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from harness.unit.assessment import ColdCheck
from harness.unit.operating_conditions import OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.parts import (
    BridgePart,
    ChokePart,
    DiodePart,
    ElectrolyticRatings,
    FusePart,
    LimiterPart,
    OutputDiodePart,
    SwitchPart,
    VaristorPart,
    XCapacitorPart,
    YCapacitorPart,
)
from harness.unit.varistor_stress import varistor_figures

__all__ = ["cold_check", "first_checks", "input_check"]

#: Source: IEC 62368-1, ES1: 60 V DC (from memory).
_TOUCH_LIMIT_V = 60.0

#: Insulation resistance by protection class. Source: EN 50678, as in DIN VDE 0701-0702:2008.
_INSULATION_OHM = {"I": 1.0e6, "II": 2.0e6, "III": 0.25e6}


def first_checks(conditions: OperatingConditions) -> tuple[ColdCheck, ...]:
    """Return what comes before any part: stored voltage, then a look."""
    stored_v = conditions.bulk_v(conditions.event) if conditions.event is not None else 0.0
    stored_v = max(stored_v, conditions.bulk_v(conditions.service))
    limit, stored = shown_figure(_TOUCH_LIMIT_V, "V"), shown_figure(stored_v, "V")
    return (
        ColdCheck(
            part="",
            measure="DC voltage across the bulk capacitor, unplugged, before anything is touched",
            expected=(
                f"below {limit}; it may hold {stored}: discharge through a resistor, then measure "
                "again"
            ),
            high=_TOUCH_LIMIT_V,
            unit="V",
            suspect=True,
        ),
        ColdCheck(
            part="",
            measure="look at board, parts and holders; smell",
            expected="no crack, soot, bulge, leak or brown board",
            suspect=True,
        ),
    )


def input_check(conditions: OperatingConditions) -> ColdCheck:
    """Return the last check: resistance at the input terminals, fuse whole, switch closed."""
    bleeder = next((part.bleeder_ohm for part in conditions.parts_of(XCapacitorPart)), None)
    # A diode across a DC input conducts one way by design.
    one_way = conditions.has_diode("across")
    least_ohm = 10e3 if conditions.file.unit.input.kind == "ac" else 100.0
    settles = f"about {shown_figure(bleeder, 'ohm')}" if bleeder else "a steady figure"
    return ColdCheck(
        part="",
        measure="resistance at the input terminals, both polarities, with a whole fuse in",
        expected=(
            "a diode's drop with the polarity reversed, no short the right way round"
            if one_way
            else f"rises to {settles}, above {shown_figure(least_ohm, 'ohm')} both ways"
        ),
        low=None if one_way else least_ohm,
        unit="" if one_way else "ohm",
    )


def cold_check(conditions: OperatingConditions, part: Any, *, suspect: bool) -> ColdCheck:
    """Return the check that settles a part.

    Args:
        conditions: The scene.
        part: The part, of any kind.
        suspect: Whether it was over-stressed.
    """
    return _CHECKS[part.kind](conditions, part, suspect)


def _fuse(_scene: OperatingConditions, part: FusePart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    # About 0.1 V across a whole link at its rating (common practice), with room for the leads.
    most_ohm = 0.5 / part.current_a + 0.5
    return ColdCheck(
        part=part.name,
        measure="resistance of the fuse, out of its holder",
        expected=f"below {shown_figure(most_ohm, 'ohm', 2)}; open: blown",
        high=most_ohm,
        unit="ohm",
        suspect=suspect,
    )


def _limiter(_scene: OperatingConditions, part: LimiterPart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    low, high = 0.75 * part.resistance_ohm, 1.25 * part.resistance_ohm
    return ColdCheck(
        part=part.name,
        measure="resistance when cold",
        expected=f"{shown_figure(low, 'ohm')} to {shown_figure(high, 'ohm')}; no crack",
        low=low,
        high=high,
        unit="ohm",
        suspect=suspect,
    )


def _varistor(conditions: OperatingConditions, part: VaristorPart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    table = conditions.tables.varistors
    at_1ma_v = varistor_figures(part, table).at_1ma_v
    low_v, high_v = (
        shown_figure(at_1ma_v * (1 + sign * table.tolerance_frac), "V") for sign in (-1, 1)
    )
    return ColdCheck(
        part=part.name,
        measure="one lead lifted: resistance; with a current-limited tester the voltage at 1 mA",
        expected=f"above 1 Mohm; {low_v} to {high_v} at 1 mA; no crack, no soot",
        low=1e6,
        unit="ohm",
        suspect=suspect,
    )


def _x_capacitor(_scene: OperatingConditions, part: XCapacitorPart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    return _capacitance(
        part.name, part.capacitance_f, 0.2, "; an aged one has lost more", suspect=suspect
    )


def _y_capacitor(conditions: OperatingConditions, part: YCapacitorPart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    protection = conditions.file.unit.protection_class
    least_ohm = _INSULATION_OHM[protection]
    extra = (
        f"; then insulation resistance at 500 V DC above {shown_figure(least_ohm, 'ohm')} "
        f"(class {protection}, EN 50678)"
    )
    return _capacitance(part.name, part.capacitance_f, 0.2, extra, suspect=suspect)


def _capacitance(
    name: str, capacitance_f: float, tolerance_frac: float, extra: str, *, suspect: bool
) -> ColdCheck:
    low, high = (1 - tolerance_frac) * capacitance_f, (1 + tolerance_frac) * capacitance_f
    return ColdCheck(
        part=name,
        measure="one lead lifted: capacitance",
        expected=f"{shown_figure(low, 'F')} to {shown_figure(high, 'F')}{extra}",
        low=low,
        high=high,
        unit="F",
        suspect=suspect,
    )


def _choke(_scene: OperatingConditions, part: ChokePart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    most_ohm = 1.5 * part.resistance_ohm if part.resistance_ohm is not None else 2.0
    return ColdCheck(
        part=part.name,
        measure="resistance of each winding, and from winding to winding",
        expected=(
            f"below {shown_figure(most_ohm, 'ohm', 2)}, both alike; winding to winding open; "
            "no brown turns"
        ),
        high=most_ohm,
        unit="ohm",
        suspect=suspect,
    )


def _bridge(_scene: OperatingConditions, part: BridgePart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    return _junctions(part.name, "diode test of all four diodes, both ways", suspect=suspect)


def _diode(_scene: OperatingConditions, part: DiodePart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    return _junctions(part.name, "one lead lifted: diode test, both ways", suspect=suspect)


def _output_diode(_scene: OperatingConditions, part: OutputDiodePart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    return ColdCheck(
        part=part.name,
        measure="one lead lifted: diode test, both ways",
        expected="0.15 to 0.7 V one way (Schottky: the lower end), open the other",
        low=0.15,
        high=0.7,
        unit="V",
        suspect=suspect,
    )


def _junctions(name: str, measure: str, *, suspect: bool) -> ColdCheck:
    return ColdCheck(
        part=name,
        measure=measure,
        expected="0.4 to 0.7 V one way, open the other; near 0 both ways: shorted",
        low=0.4,
        high=0.7,
        unit="V",
        suspect=suspect,
    )


def _electrolytic(_scene: OperatingConditions, part: Any, suspect: bool) -> ColdCheck:  # noqa: FBT001
    ratings: ElectrolyticRatings = part
    extra = "; no bulge, no leak"
    if ratings.series_ohm is not None:
        extra = f"; series resistance below {shown_figure(2 * ratings.series_ohm, 'ohm', 2)}{extra}"
    if suspect:
        extra += "; replace it even if it measures well: it was over-stressed"
    check = _capacitance(part.name, ratings.capacitance_f, 0.2, extra, suspect=suspect)
    return ColdCheck(
        part=check.part,
        measure="discharged, one lead lifted: capacitance and series resistance",
        expected=check.expected,
        low=check.low,
        high=check.high,
        unit=check.unit,
        suspect=suspect,
    )


def _switch(_scene: OperatingConditions, part: SwitchPart, suspect: bool) -> ColdCheck:  # noqa: FBT001
    return ColdCheck(
        part=part.name,
        measure="resistance between its main terminals both ways, and from gate or base to each",
        expected=(
            "above 100 kohm one way, a diode's drop or open the other; gate open; below 10 ohm: "
            "shorted, then look at its driver and sense resistor too"
        ),
        low=100e3,
        unit="ohm",
        suspect=suspect,
    )


_CHECKS: dict[str, Callable[[OperatingConditions, Any, bool], ColdCheck]] = {
    "fuse": _fuse,
    "inrush-limiter": _limiter,
    "varistor": _varistor,
    "x-capacitor": _x_capacitor,
    "y-capacitor": _y_capacitor,
    "common-mode-choke": _choke,
    "bridge": _bridge,
    "diode": _diode,
    "bulk-capacitor": _electrolytic,
    "switch": _switch,
    "output-diode": _output_diode,
    "output-capacitor": _electrolytic,
}
