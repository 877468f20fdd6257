"""Supply and power meter read the same feed: where they disagree, neither decides anything."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from harness.judge.uncertainty import combine, rectangular
from harness.profile.bench_file import BenchFile
from harness.profile.measures import READINGS
from harness.profile.readings import states_accuracy
from harness.quantity import format_quantity
from harness.run.causes import Readings, mean_causes

#: What both read; what is left out is read by one of them alone.
_BOTH = ("voltage", "current", "power")


def disagreements(bench: BenchFile, readings: Readings) -> Mapping[str, str]:
    """Return, by measure name, how supply and power meter disagree in one hold beyond doubt.

    They do where their means lie further apart than the expanded uncertainty (95 %) of the
    difference. Leads and contacts between them drop voltage and take power, at most by what the
    bench file says of their resistance: that counts as a bound. Where either states no accuracy
    nothing can be said. The power of an AC source that measures none is volts times amperes, and
    is not compared.

    Source: JCGM 100:2008, 4.3.7, 5.1.2 and G.3; Ohm's law.
    """
    return dict(_disagreements(bench, readings))


def _disagreements(bench: BenchFile, readings: Readings) -> Iterator[tuple[str, str]]:
    meter = bench.power_meter
    if meter is None:
        return
    for name in _BOTH:
        pair = (f"supply.{name}", f"power_meter.{name}")
        known = (each in readings.values and states_accuracy(bench, each) for each in pair)
        if not all(known):
            continue
        current_a = abs(readings.mean("supply.current"))
        lost = {
            "voltage": meter.lead_resistance_ohm * current_a,
            "power": meter.lead_resistance_ohm * current_a**2,
        }.get(name, 0.0)
        causes = [cause for each in pair for cause in mean_causes(bench, each, readings)]
        allowed = combine((*causes, rectangular("leads", lost))).expanded
        at_supply, at_meter = map(readings.mean, pair)
        if abs(at_supply - at_meter) <= allowed:  # so that what is no number does not agree
            continue
        unit = READINGS["supply"][name]
        told = (
            f"the supply reads {format_quantity(at_supply, unit, 4)}, the power meter "
            f"{format_quantity(at_meter, unit, 4)}: more than the "
            f"{format_quantity(allowed, unit, 2)} apart that both may be off by"
        )
        yield from ((each, told) for each in pair)


def rests_on_disagreement(found: Mapping[str, str], measures: Iterable[str]) -> tuple[str, ...]:
    """Return what is said of the readings that a figure is made of, once each.

    A power that is worked out from voltage and current is as doubtful as they are.
    """
    told = (
        found[name] for measure in measures for name in (measure, *_parts(measure)) if name in found
    )
    return tuple(dict.fromkeys(told))


def _parts(measure: str) -> tuple[str, ...]:
    role, _, quantity = measure.partition(".")
    return (f"{role}.voltage", f"{role}.current") if quantity == "power" else ()
