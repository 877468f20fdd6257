"""Energy into a part that breaks over at 75 % of nominal: the harness against a script."""

from __future__ import annotations

from typing import Literal

from benchmarks.by_hand import BringUp
from benchmarks.faulty_unit import (
    BENCH,
    PROFILE,
    by_hand,
    by_harness,
    from_capacitors,
    unit_a,
    with_defect,
)
from benchmarks.figure import Figure, Goal

__all__ = ["break_over_energy"]

_SHARE = 0.75


def break_over_energy(counted: Literal["all", "from the supply"] = "all") -> Figure:
    """Measure the script's energy in the part over ours.

    Args:
        counted: All of it, or what the supply added to what the capacitors held when the part
            gave way. The capacitors' share is there however the unit is started.
    """
    model = unit_a()
    model = with_defect(model, breakdown_v=_SHARE * model.converter.nominal_bulk_v)
    limit_a = BENCH.supply.range.current_a
    assert limit_a is not None
    how = BringUp(
        voltage_v=PROFILE.unit.input.nominal_v,
        current_limit_a=limit_a,
        trip_a=PROFILE.envelope.current_a,
    )
    ours, theirs = by_harness(model), by_hand(model, how)
    stored_j = from_capacitors(model).energy_j
    less_j = 0.0 if counted == "all" else stored_j
    ours_j, theirs_j = ours.let_through.energy_j - less_j, theirs.let_through.energy_j - less_j
    limited = (
        f"no start can go below the {stored_j * 1e3:.3g} mJ that the capacitors held"
        if counted == "all"
        else f"without the {stored_j * 1e3:.3g} mJ that the capacitors held"
    )
    what = "energy" if counted == "all" else "energy the supply added"
    return Figure(
        name=f"{what} into a part that breaks over at {_SHARE:.0%}, by hand over ours",
        value=theirs_j / ours_j,
        goal=Goal(">=", 300),
        told=(
            f"{ours_j * 1e3:.3g} mJ ({ours.ending}) against {theirs_j * 1e3:.4g} mJ "
            f"({theirs.on_s * 1e3:.0f} ms on, {theirs.ending}); {limited}"
        ),
        conditions=(
            f"unit A, {model.defects.breakdown_ohm:g} ohm across its bulk capacitor from "
            f"{model.defects.breakdown_v:.1f} V; script as for the short, limit {limit_a:g} A"
        ),
    )
