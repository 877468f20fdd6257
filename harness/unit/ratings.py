"""A figure against its rating: at the event and in service, and of a replacement."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, TypeAlias

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity, Stress
from harness.unit.operating_conditions import Conditions, Line
from harness.unit.parts import shown_figure

__all__ = [
    "CAPACITANCE_TOLERANCE_FRAC",
    "HIGHEST_LINE",
    "NAMEPLATE_CURRENT",
    "Kind",
    "PartStress",
    "Short",
    "Shorts",
    "at_least",
    "capacitance_check",
    "cold_check",
    "fault_a2s",
    "finding",
    "same",
    "severity_of",
    "short_current_a",
    "stress",
]

#: What needs a rating, in words.
HIGHEST_LINE = "the highest line voltage"
NAMEPLATE_CURRENT = "the nameplate's current"

#: Without a figure that is needed, so much of the original's will do, with a note.
#: Source: common practice.
_NEARLY_FRAC = 0.8

#: Capacitances that differ by no more are within tolerance. Source: common practice.
CAPACITANCE_TOLERANCE_FRAC = 0.2

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


#: The shorts of the parts behind one, from the outputs on.
Shorts: TypeAlias = tuple[Short, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PartStress:
    """The stresses of one part, before they are put into words.

    Attributes:
        stresses: Its stresses; at least one.
        remarks: What else there is to know of it.
        shorted_after_s: When it begins to carry a short-circuit current, or None if it does not.
        known: Severity that the story sets beside the figures.
    """

    stresses: tuple[Stress, ...]
    remarks: tuple[str, ...] = ()
    shorted_after_s: float | None = None
    known: Severity = Severity.WITHIN

    @property
    def severity(self) -> Severity:
        """The gravest of all."""
        found = [self.known, *(stress.severity for stress in self.stresses)]
        return max(found, key=lambda severity: severity.rank)


@dataclass(frozen=True, kw_only=True, slots=True)
class Kind:
    """What is known of a kind of part.

    Attributes:
        stress: Its stresses, given the shorts of the parts behind it.
        findings: A replacement held against it: conditions, original, fitted.
        check: The cold check that settles it.
        shorts: True if it puts a short across the line when it is destroyed.
        if_suspect: What its check says besides where it was over-stressed.
    """

    stress: Callable[[Conditions, Any, Shorts], PartStress]
    findings: Callable[[Conditions, Any, Any], Iterable[Finding]]
    check: Callable[[Conditions, Any], ColdCheck]
    shorts: bool = False
    if_suspect: str = ""


# --- stress ---------------------------------------------------------------------------------


def stress(
    conditions: Conditions,
    kind: str,
    quantity: str,
    rating: float,
    *,
    at: Callable[[Line], float] | None = None,
    event: float | None = None,
    service: float | None = None,
) -> Stress:
    """Return a stress with its verdict.

    Args:
        conditions: The lines at the event and in service; their tables have the bounds.
        kind: Kind of part.
        quantity: What is compared; a row of the table of bounds.
        rating: What the part is rated for.
        at: What a line puts on it; it stands for both of the next.
        event: What the event put on it, or None.
        service: What the highest line voltage in service puts on it, or None.
    """
    if at is not None:
        service = at(conditions.service)
        event = None if conditions.event is None else at(conditions.event)
    row = conditions.tables.stress.bounds(kind, quantity)
    ratio = max(event or 0.0, service or 0.0) / rating
    return Stress(
        quantity=quantity,
        unit=row.unit,
        rating=rating,
        event=event,
        service=service,
        severity=severity_of(ratio, row.marginal, row.destroyed),
        source=row.source,
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


def short_current_a(conditions: Conditions, short: Short) -> float:
    """Return the current into a short (rms for AC): Ohm's law, textbook; 0 without an event."""
    line = conditions.event
    if line is None:
        return 0.0
    limited = short.kind in _BEHIND_LIMITER
    return line.voltage_v / (line.source_ohm + (conditions.series_ohm if limited else 0.0))


def fault_a2s(conditions: Conditions, shorts: Iterable[Short]) -> float | None:
    """Return the I2t of the event: of the inrush and of shorts, as the fuse lets them through."""
    event = conditions.event
    if event is None:
        return None
    let_through = (
        conditions.let_through_a2s(
            short_current_a(conditions, short), max(event.duration_s - short.after_s, 0.0)
        )
        for short in shorts
    )
    return max([conditions.inrush_a2s(event), *let_through])


# --- replacement ----------------------------------------------------------------------------


def same(first: float, second: float) -> bool:
    """Return whether two figures of data sheets are the same, rounding aside."""
    return math.isclose(first, second, rel_tol=1e-6)


def finding(
    item: str,
    unit: str,
    original: float | None,
    fitted: float | None,
    adequacy: Adequacy = Adequacy.EQUIVALENT,
    reason: str = "",
) -> Finding:
    """Return a finding on two figures; a figure that is not given is a dash."""
    return Finding(
        item=item,
        original="-" if original is None else shown_figure(original, unit),
        fitted="-" if fitted is None else shown_figure(fitted, unit),
        adequacy=adequacy,
        reason=reason,
    )


def at_least(
    item: str,
    unit: str,
    original: float | None,
    fitted: float | None,
    *,
    need: float | None = None,
    why: str = "",
    instead: str = "",
) -> tuple[Finding, ...]:
    """Judge a rating of which more is better.

    Args:
        item: What is compared.
        unit: Unit of the figures.
        original: The original's, or None where it is not given.
        fitted: The fitted part's, or None.
        need: What service needs at least, or None where that is not known.
        why: What needs it, such as ``the highest line voltage``.
        instead: What to fit instead, where it is below the need.

    Returns:
        One finding, or none where neither figure is given.

    A figure equal to the need is enough. The need comes first: a part like the original is not
    acceptable where the original was not. Raising ``fitted`` never makes the verdict worse.
    """
    if fitted is None and original is None:
        return ()
    adequacy, reason = _at_least(unit, original, fitted, need=need, why=why, instead=instead)
    return (finding(item, unit, original, fitted, adequacy, reason),)


def _at_least(
    unit: str,
    original: float | None,
    fitted: float | None,
    *,
    need: float | None,
    why: str,
    instead: str,
) -> tuple[Adequacy, str]:
    if fitted is None:
        return Adequacy.NOTE, "not given for the fitted part: look it up"
    if need is not None and fitted < need and not same(fitted, need):
        too_low = f"{shown_figure(fitted, unit)} is below {why}, {shown_figure(need, unit)}"
        return Adequacy.UNACCEPTABLE, f"{too_low}; {instead}" if instead else too_low
    if original is None or same(original, fitted):
        return Adequacy.EQUIVALENT, ""
    if fitted > original:
        return Adequacy.BETTER, ""
    if need is not None:
        return Adequacy.NOTE, f"less than the original's; {why} is {shown_figure(need, unit)}"
    nearly = _NEARLY_FRAC * original
    if fitted > nearly or same(fitted, nearly):
        return Adequacy.NOTE, "less than the original's"
    return Adequacy.UNACCEPTABLE, "far less than the original's"


# --- cold check -----------------------------------------------------------------------------


def cold_check(
    part: str,
    measure: str,
    expected: str,
    unit: str = "",
    *,
    low: float | None = None,
    high: float | None = None,
) -> ColdCheck:
    """Return what to measure on a part without power, and what a sound one gives."""
    return ColdCheck(part=part, measure=measure, expected=expected, low=low, high=high, unit=unit)


def capacitance_check(
    name: str, capacitance_f: float, extra: str, measure: str = "one lead lifted: capacitance"
) -> ColdCheck:
    """Return the check of a capacitor: its capacitance within tolerance, and what else."""
    low = (1 - CAPACITANCE_TOLERANCE_FRAC) * capacitance_f
    high = (1 + CAPACITANCE_TOLERANCE_FRAC) * capacitance_f
    expected = f"{shown_figure(low, 'F')} to {shown_figure(high, 'F')}; {extra}"
    return cold_check(name, measure, expected, "F", low=low, high=high)
