"""What every kind of part has: a figure against its rating, in use and in a replacement."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity, Stress
from harness.unit.operating_conditions import Conditions, Line
from harness.unit.parts import shown_figure

#: Without a figure that is needed, so much of the original's will do, with a note.
#: Source: common practice.
_NEARLY_FRAC = 0.8

#: Kinds that take the current of a short with the limiter and the choke in the way.
_BEHIND_LIMITER = frozenset({"bridge", "bulk-capacitor", "switch"})


@dataclass(frozen=True, kw_only=True, slots=True)
class Short:
    """A part that carries the current of a short, ``after_s`` after the event began."""

    name: str
    kind: str
    after_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PartStress:
    """The stresses of one part, before they are put into words."""

    stresses: tuple[Stress, ...]  # at least one
    remarks: tuple[str, ...] = ()  # what else there is to know of it
    shorted_after_s: float | None = None  # when it begins to carry a short-circuit current
    known: Severity = Severity.WITHIN  # what the story sets beside the figures

    @property
    def severity(self) -> Severity:
        """The gravest of all."""
        found = [self.known, *(stress.severity for stress in self.stresses)]
        return max(found, key=lambda severity: severity.rank)


class Kind(ABC):
    """A kind of part, of one unit: its stress, its replacements, its cold check.

    ``shorts`` are the parts behind it that carry the current of a short.
    """

    #: It puts a short across the line when it is destroyed.
    shorts_line: ClassVar[bool] = False
    #: What its check says besides where it was over-stressed.
    if_suspect: ClassVar[str] = ""

    def __init__(self, conditions: Conditions, part: Any, shorts: Iterable[Short] = ()) -> None:
        self.conditions = conditions
        self.part = part
        self.shorts = tuple(shorts)
        self.event, self.service = conditions.event, conditions.service
        self.tables = conditions.tables
        self.nameplate_a = conditions.file.unit.input.current_a

    @abstractmethod
    def stress(self) -> PartStress:
        """Return its stresses."""

    @abstractmethod
    def findings(self, fitted: Any) -> Iterator[Finding]:
        """Hold a replacement, described by its ratings, against it and against service."""

    @abstractmethod
    def check(self) -> ColdCheck:
        """Return the cold check that settles it."""

    def against(
        self,
        quantity: str,
        rating: float,
        *,
        at: Callable[[Line], float] | None = None,
        event: float | None = None,
        service: float | None = None,
    ) -> Stress:
        """Return a stress with its verdict.

        ``quantity`` names a row of the table of bounds. ``event`` and ``service`` are what the
        event and the highest line voltage in service put on the part; ``at`` gives both, from the
        line.
        """
        if at is not None:
            service, event = at(self.service), None if self.event is None else at(self.event)
        row = self.tables.stress.bounds(self.part.kind, quantity)
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

    def settled_by(
        self,
        measure: str,
        expected: str,
        unit: str,
        *,
        low: float | None = None,
        high: float | None = None,
    ) -> ColdCheck:
        """Return what to measure without power, and what a sound part gives."""
        name = self.part.name
        return ColdCheck(
            part=name, measure=measure, expected=expected, low=low, high=high, unit=unit
        )

    def short_current_a(self, short: Short) -> float:
        """Return the current into a short (rms for AC): Ohm's law, textbook; 0 without an event."""
        if self.event is None:
            return 0.0
        limiting_ohm = self.conditions.series_ohm if short.kind in _BEHIND_LIMITER else 0.0
        return self.event.voltage_v / (self.event.source_ohm + limiting_ohm)

    def fault_a2s(self, shorts: Iterable[Short]) -> float | None:
        """Return the I2t of the event: of the inrush and of shorts, as the fuse lets it through."""
        if self.event is None:
            return None
        found_a2s = self.conditions.inrush_a2s(self.event)
        for short in shorts:
            left_s = max(self.event.duration_s - short.after_s, 0.0)
            let_a2s = self.conditions.let_through_a2s(self.short_current_a(short), left_s)
            found_a2s = max(found_a2s, let_a2s)
        return found_a2s


def severity_of(ratio: float, marginal: float, destroyed: float) -> Severity:
    """Return the verdict on a ratio of stress to rating; each bound belongs to the milder side.

    Source: Bounds of ``shared/over-stress.toml``: common practice.
    """
    if ratio > destroyed:
        return Severity.DESTROYED
    if ratio > 1.0:
        return Severity.OVER
    return Severity.MARGINAL if ratio > marginal else Severity.WITHIN


def same(first: float, second: float) -> bool:
    """Return whether two figures of data sheets are the same, rounding aside."""
    return math.isclose(first, second, rel_tol=1e-6)


def finding(
    item: str,
    unit: str,
    original: float | None,
    fitted: float | None,
    adequacy: Adequacy,
    reason: str = "",
) -> Finding:
    """Return a finding on two figures; a figure that is not given is a dash."""
    shown = ["-" if one is None else shown_figure(one, unit) for one in (original, fitted)]
    return Finding(item=item, original=shown[0], fitted=shown[1], adequacy=adequacy, reason=reason)


def at_least(
    item: str,
    unit: str,
    original: float | None,
    fitted: float | None,
    need: float | None = None,
    why: str = "",
    instead: str = "",
) -> tuple[Finding, ...]:
    """Judge a rating of which more is better; no finding where neither figure is given.

    ``need`` is what service needs at least, ``why`` what needs it, such as ``the highest line
    voltage``, and ``instead`` what to fit where the rating is below. A figure equal to the need is
    enough. The need comes first: a part like the original is not acceptable where the original was
    not. Raising ``fitted`` never makes the verdict worse.
    """
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if fitted is None and original is None:
        return ()
    if fitted is None:
        adequacy, reason = Adequacy.NOTE, "not given for the fitted part: look it up"
    elif need is not None and fitted < need and not same(fitted, need):
        adequacy = Adequacy.UNACCEPTABLE
        reason = f"{shown_figure(fitted, unit)} is below {why}, {shown_figure(need, unit)}"
        reason += f"; {instead}" if instead else ""
    elif original is None or same(original, fitted):
        pass
    elif fitted > original:
        adequacy = Adequacy.BETTER
    elif need is not None:
        adequacy = Adequacy.NOTE
        reason = f"less than the original's; {why} is {shown_figure(need, unit)}"
    elif fitted > _NEARLY_FRAC * original or same(fitted, _NEARLY_FRAC * original):
        adequacy, reason = Adequacy.NOTE, "less than the original's"
    else:
        adequacy, reason = Adequacy.UNACCEPTABLE, "far less than the original's"
    return (finding(item, unit, original, fitted, adequacy, reason),)
