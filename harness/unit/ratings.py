"""What every kind of part has: a figure against its rating, in use and in a replacement."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Generic, TypeVar

from harness.unit.assessment import (
    Adequacy,
    ColdCheck,
    Finding,
    PartAssessment,
    Replacement,
    Severity,
    Stress,
)
from harness.unit.observations import seen
from harness.unit.operating_conditions import Conditions, Line
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import Part
from harness.unit.reference import SeenOnPart

#: Without a figure that is needed, so much of the original's will do, with a note.
#: Source: common practice.
_NEARLY_FRAC = 0.8

#: What is said where the inrush by the figures is more than a part stands in normal service.
UNNAMED_LIMIT = (
    "By these figures the inrush of normal service is past its rating: something limits it that is "
    "not named here. Name the limiter, and the inrush is judged."
)

#: Kinds that take the current of a short with the limiter and the choke in the way.
_BEHIND_LIMITER = frozenset({"bridge", "bulk-capacitor", "switch"})

#: Units by the ending of a rating's name.
_UNITS = {"v": "V", "a": "A", "w": "W", "f": "F", "j": "J", "ohm": "ohm", "degc": "degC"}


_PartT = TypeVar("_PartT", bound=Part)


@dataclass(frozen=True, kw_only=True, slots=True)
class Short:
    """A part that carries the current of a short, ``after_s`` after the event began."""

    name: str
    kind: str
    after_s: float


class Kind(ABC, Generic[_PartT]):
    """A kind of part, of one unit: its stress, its replacement, its cold check.

    ``shorts`` are the parts behind it that carry the current of a short.
    """

    #: It puts a short across the line when it is destroyed.
    shorts_line: ClassVar[bool] = False
    #: What its check says besides where it was over-stressed.
    if_suspect: ClassVar[str] = ""

    def __init__(self, conditions: Conditions, part: _PartT, shorts: tuple[Short, ...]) -> None:
        self.conditions, self.tables = conditions, conditions.tables
        self.event, self.service = conditions.event, conditions.service
        self.unit = conditions.file.unit
        self.part, self.shorts = part, shorts
        #: Ratings of what was fitted instead; where nothing is said of it, its like was.
        self.fitted: Any = part.fitted or part
        self.stresses: list[Stress] = []
        self.remarks: list[str] = []
        #: What is to be cleared up whether or not it was over-stressed.
        self.points: list[str] = []
        #: When it begins to carry a short-circuit current, where that is known.
        self.shorted_after_s: float | None = None
        #: What the story and what was seen set beside the figures, each with its words.
        self.known: list[tuple[Severity, str]] = []
        self._stress()
        self._look()

    @abstractmethod
    def _stress(self) -> None:
        """Hold it against its ratings, by :meth:`_against`: once at least."""

    @abstractmethod
    def _findings(self) -> Iterator[Finding]:
        """Hold the part fitted against the original and against service."""

    @abstractmethod
    def _check(self) -> ColdCheck:
        """Return the cold check that settles it, by the ratings of what stands there now."""

    def _look(self) -> None:
        """Take in what was seen on it or measured cold."""
        for word in self.part.observed:
            self.known.append((self.tables.observations.part[word].severity, f"seen: {word}"))
        told = seen(self.part.observed, self.part.observed_note)
        self.remarks[:0] = [told] if told else []

    @property
    def _by_figures(self) -> Severity:
        """The gravest of its stresses."""
        return max((one.severity for one in self.stresses), key=lambda severity: severity.rank)

    @property
    def severity(self) -> Severity:
        """The gravest of all."""
        found = [self._by_figures, *(severity for severity, _ in self.known)]
        return max(found, key=lambda severity: severity.rank)

    @property
    def _seen(self) -> list[SeenOnPart]:
        """What was seen on it, as the table tells it."""
        return [self.tables.observations.part[word] for word in self.part.observed]

    @property
    def short(self) -> Short | None:
        """The short it puts across the line at the event, or None."""
        after_s = self.shorted_after_s
        destroyed = self._by_figures is Severity.DESTROYED or any(one.short for one in self._seen)
        if after_s is None and self.shorts_line and destroyed:
            after_s = 0.0  # no time is known: at once
        if after_s is None or self.event is None or any(one.no_short for one in self._seen):
            return None
        return Short(name=self.part.name, kind=self.part.kind, after_s=after_s)

    @property
    def replaced(self) -> bool:
        """True where another part stands in its place."""
        return self.part.replaced or self.part.fitted is not None

    def assessment(self) -> PartAssessment:
        """Return how it was treated, and the check that settles it."""
        suspect, check = self.severity.suspect, self._check()
        left = suspect and not self.replaced
        expected = check.expected + (self.if_suspect if left else "")
        worst_first = sorted(self.stresses, key=lambda one: (-one.severity.rank, -one.ratio))
        known = ""
        if self.severity is not self._by_figures:
            known = next(words for severity, words in self.known if severity is self.severity)
        return PartAssessment(
            name=self.part.name,
            kind=self.part.kind,
            severity=self.severity,
            stresses=tuple(worst_first),
            known=known,
            reason=known or _sentence(worst_first[0]),
            remarks=tuple(self.remarks),
            check=replace(check, part=self.part.name, expected=expected, suspect=suspect),
            replaced=self.replaced,
            broken=any(one.broken for one in self._seen),
        )

    def replacement(self) -> Replacement:
        """Return the verdict on what was fitted: the worst, and better only if nothing is worse."""
        findings = tuple(sorted(self._findings(), key=lambda finding: finding.adequacy.rank))
        found = {finding.adequacy for finding in findings}
        worse = (Adequacy.UNACCEPTABLE, Adequacy.NOTE, Adequacy.BETTER)
        verdict = next((adequacy for adequacy in worse if adequacy in found), Adequacy.EQUIVALENT)
        name, kind = self.part.name, self.part.kind
        return Replacement(name=name, kind=kind, adequacy=verdict, findings=findings)

    def _against(
        self,
        quantity: str,
        rating: float,
        *,
        at: Callable[[Line], float | None] | None = None,
        event: float | None = None,
        service: float | None = None,
    ) -> Stress:
        """Hold it against a rating, by the table of bounds.

        ``event`` and ``service``: what the event and the highest line voltage in service put on it.
        """
        if at is not None:
            service, event = at(self.service), None if self.event is None else at(self.event)
        row = self.tables.stress.bounds(self.part.kind, quantity)
        ratio = max(event or 0.0, service or 0.0) / rating
        stress = Stress(
            quantity=quantity,
            unit=row.unit,
            rating=rating,
            event=event,
            service=service,
            severity=severity_of(ratio, row.marginal, row.destroyed),
            source=row.source,
        )
        self.stresses.append(stress)
        return stress

    def _both(self, rating: str) -> tuple[str, float | None, float | None]:
        """Return the unit of a rating by its name, the original's figure and the fitted one's."""
        unit = _UNITS[rating.rpartition("_")[2]]
        return unit, getattr(self.part, rating), getattr(self.fitted, rating)

    def _short_currents_a(self, short: Short) -> tuple[float, float]:
        """Return the lowest and highest current into a short (rms for AC); 0 without an event."""
        feeder = self.conditions.feeder
        if feeder is None:
            return 0.0, 0.0
        limiting_ohm = self.conditions.series_ohm() if short.kind in _BEHIND_LIMITER else 0.0
        return feeder.least_short_a(limiting_ohm), feeder.most_short_a(limiting_ohm)

    def _fault_a2s(self, shorts: Iterable[Short]) -> float | None:
        """Return the I2t of the event: of the inrush and of shorts, as the fuse lets it through."""
        if self.event is None:
            return None
        found_a2s = self.conditions.inrush_a2s(self.event)
        for short in shorts:
            left_s = max(self.event.duration_s - short.after_s, 0.0)
            let_a2s = self.conditions.let_through_a2s(self._short_currents_a(short), left_s)
            found_a2s = max(found_a2s, let_a2s)
        return found_a2s


def _sentence(stress: Stress) -> str:
    """Say a stress in words: figure, rating, ratio."""
    at_event = (stress.event_ratio or 0.0) >= (stress.service_ratio or 0.0)
    value = stress.event if at_event else stress.service
    when = "at the event" if at_event and stress.event is not None else "in service"
    figure = shown_figure(value or 0.0, stress.unit)
    return f"{stress.quantity} {figure} {when}, rated {shown_figure(stress.rating, stress.unit)}"


def severity_of(ratio: float, marginal: float, destroyed: float) -> Severity:
    """Return the verdict on a ratio of stress to rating; each bound belongs to the milder side."""
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
    original: float | str | None,
    fitted: float | str | None,
    adequacy: Adequacy = Adequacy.EQUIVALENT,
    reason: str = "",
) -> Finding:
    """Return a finding on two figures, or letters; what is not given is a dash."""

    def shown(value: float | str | None) -> str:
        if isinstance(value, str):
            return value
        return "-" if value is None else shown_figure(value, unit)

    both = {"original": shown(original), "fitted": shown(fitted)}
    return Finding(item=item, **both, adequacy=adequacy, reason=reason)


def at_most(
    item: str, unit: str, original: float | None, fitted: float, limit: float, where: str
) -> Finding:
    """Judge a figure that ``where``, a document, limits."""
    if fitted <= limit:
        return finding(item, unit, original, fitted)
    reason = f"above the {shown_figure(limit, unit)} of {where}"
    return finding(item, unit, original, fitted, Adequacy.UNACCEPTABLE, reason)


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

    ``need`` is what service needs at least, ``why`` what needs it, ``instead`` what to fit else.
    The need comes first: a part like the original is not acceptable where the
    original was not. Raising ``fitted`` never makes the verdict worse.
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
