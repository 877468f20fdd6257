"""What keeps a run from releasing the unit, known before power: the one list of it (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.measures import MEASURES
from harness.profile.plan import PlannedStep

__all__ = ["open_points"]


def open_points(steps: Iterable[PlannedStep], bench: BenchFile | None) -> Iterator[str]:
    """Yield every point that will be open at the end of a run, whatever is measured.

    Args:
        steps: The steps of a plan.
        bench: The bench it was made for, or None: then nothing is known of it.
    """
    for step in steps:
        for check, why in step.dropped:
            yield f"{_named(check, step)}: {why}"
        for check in step.checks if bench is not None else ():
            assert bench is not None
            made_of = MEASURES[check.measure].readings(has_meter=bench.meter is not None)
            unknown = [name for name in made_of if not _has_accuracy(name, bench)]
            # without an accuracy there is no uncertainty: a guarded check proves nothing
            if unknown and check.rule == "guarded":
                yield (
                    f"{_named(check, step)}: the bench file gives no accuracy for "
                    f"{', '.join(unknown)}"
                )


def _named(check: Check, step: PlannedStep) -> str:
    return f"check {check.name!r} of step {step.number} ({step.name})"


def _has_accuracy(reading: str, bench: BenchFile) -> bool:
    """Whether a reading has a known accuracy; power may follow from volts and amperes."""
    measure = MEASURES[reading]
    given = bench.instruments[measure.source].accuracy
    derived = measure.quantity == "power" and (measure.source, bench.supply.kind) != (
        "supply",
        "ac",
    )
    return measure.quantity in given or (derived and {"voltage", "current"} <= given.keys())
