"""Stress against rating, and what a part that gave way does to those before it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from harness.unit.assessment import Severity, Stress
from harness.unit.operating_conditions import OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.reference import StressTable

__all__ = [
    "Short",
    "Treated",
    "judged",
    "sentence",
    "severity_of",
    "short_current_a",
    "worst_first",
]

#: Kinds that take the current of a short with the limiter and the choke in the way.
_BEHIND_LIMITER = frozenset({"bridge", "bulk-capacitor", "switch"})


@dataclass(frozen=True, kw_only=True, slots=True)
class Short:
    """A part that carries the current of a short.

    Attributes:
        name: Its reference.
        kind: Its kind.
        after_s: Time from the beginning of the event on.
    """

    name: str
    kind: str
    after_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Treated:
    """How one part was treated, before it is put into words.

    Attributes:
        stresses: Its stresses; at least one.
        remarks: What else there is to know of it.
        shorted_after_s: When it begins to carry a short-circuit current, or None if it does not.
        at_least: Severity that something known sets beside the figures.
    """

    stresses: tuple[Stress, ...]
    remarks: tuple[str, ...] = ()
    shorted_after_s: float | None = None
    at_least: Severity = Severity.WITHIN

    @property
    def severity(self) -> Severity:
        """The gravest of all."""
        found = [self.at_least, *(stress.severity for stress in self.stresses)]
        return max(found, key=lambda severity: severity.rank)


def judged(
    table: StressTable,
    kind: str,
    quantity: str,
    unit: str,
    *,
    rating: float,
    source: str,
    event: float | None = None,
    service: float | None = None,
) -> Stress:
    """Return a stress with its verdict.

    Args:
        table: Bounds of the ratio.
        kind: Kind of part.
        quantity: What is compared; a row of the table.
        unit: Unit of the figures.
        rating: What the part is rated for.
        source: Where the formula comes from.
        event: What the event put on it, or None.
        service: What the highest line voltage in service puts on it, or None.
    """
    ratio = max(event or 0.0, service or 0.0) / rating
    return Stress(
        quantity=quantity,
        unit=unit,
        rating=rating,
        event=event,
        service=service,
        severity=severity_of(ratio, *table.bounds(kind, quantity)),
        source=source,
    )


def severity_of(ratio: float, marginal: float, destroyed: float) -> Severity:
    """Return the verdict on a ratio of stress to rating; each bound belongs to the milder side.

    Source:
        Bounds of ``shared/over-stress.toml``: common practice.
    """
    if ratio > destroyed:
        return Severity.DESTROYED
    if ratio > 1.0:
        return Severity.OVER
    return Severity.MARGINAL if ratio > marginal else Severity.WITHIN


def worst_first(stresses: Iterable[Stress]) -> tuple[Stress, ...]:
    """Sort stresses: gravest verdict first, then worst ratio."""
    return tuple(sorted(stresses, key=lambda stress: (-stress.severity.rank, -stress.ratio)))


def sentence(stress: Stress) -> str:
    """Say a stress in words: figure, rating, ratio."""
    at_event = (stress.event_ratio or 0.0) >= (stress.service_ratio or 0.0)
    value = stress.event if at_event else stress.service
    when = "at the event" if at_event and stress.event is not None else "in service"
    figure, rating = (
        shown_figure(value or 0.0, stress.unit),
        shown_figure(stress.rating, stress.unit),
    )
    return f"{stress.quantity} {figure} {when}, rated {rating}"


def short_current_a(conditions: OperatingConditions, short: Short) -> float:
    """Return the current into a short (rms for AC): Ohm's law, textbook; 0 without an event."""
    line = conditions.event
    if line is None:
        return 0.0
    limited = short.kind in _BEHIND_LIMITER
    return line.voltage_v / (line.source_ohm + (conditions.series_ohm if limited else 0.0))
