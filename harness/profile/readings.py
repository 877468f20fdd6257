"""Which instrument gives a reading, and whether it says how exact it is (pure)."""

from __future__ import annotations

from collections.abc import Mapping

from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.measures import MEASURES
from harness.profile.wiring import MeterPlace, Wiring, seen_from

#: What supply and power meter both may read.
_BOTH = ("voltage", "current", "power")


def states_accuracy(bench: BenchFile, measure: str) -> bool:
    """Whether the bench file states the accuracy of a reading (``supply.power``).

    Power may follow from volts and amperes, but for an AC source's: that is no real power.
    """
    role, _, quantity = measure.partition(".")
    instrument = bench.instruments.get(role)
    if instrument is None:
        return False
    by_source = (role, bench.gives) == ("supply", "ac")
    derived = quantity == "power" and not by_source
    return quantity in instrument.accuracy or (
        derived and {"voltage", "current"} <= {*instrument.accuracy}
    )


def instead_of(
    bench: BenchFile | None, operations: Mapping[str, frozenset[str]] | None
) -> dict[str, str]:
    """Return the readings of the supply that those of the power meter take the place of.

    They are what the supply cannot measure, or states no accuracy for, and the power meter does.
    """
    if bench is None or bench.power_meter is None:
        return {}
    if bench.by_hand is not None:
        return {f"supply.{name}": f"power_meter.{name}" for name in _BOTH}
    can = None if operations is None else operations.get("supply", frozenset())
    taken: dict[str, str] = {}
    for name in _BOTH:
        measured = can is None or f"measure_{name}" in can
        if name == "power" and bench.gives == "dc":
            measured = True  # volts times amperes
        by_supply = measured and states_accuracy(bench, f"supply.{name}")
        if not by_supply and states_accuracy(bench, f"power_meter.{name}"):
            taken[f"supply.{name}"] = f"power_meter.{name}"
    return taken


def readings_of(
    check: Check, place: MeterPlace, wiring: Wiring, instead: Mapping[str, str]
) -> tuple[str, ...]:
    """Return the readings that a check is made of, in the order of its formula.

    A better one goes first where a meter reads it there, and the meter where there is no load.
    """
    measure = MEASURES[check.measure]
    better = measure.better.partition(".")[2]
    has_better = bool(better) and (seen_from(place, better), better) in wiring.meters
    names = measure.readings(has_meter=has_better)
    if measure.otherwise and not wiring.load:
        names = (measure.otherwise,)
    made_of = wiring.all_readings(names, place)
    if check.after is not None:
        made_of += wiring.readings(measure.made_of, MeterPlace("output", check.after))
    return tuple(instead.get(name, name) for name in made_of)
