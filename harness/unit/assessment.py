"""What an assessment says: plain values, for the screen, the record and the report alike."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any


class _Ranked(enum.StrEnum):
    @property
    def rank(self) -> int:
        """Place in the order given."""
        return list(type(self)).index(self)


class Severity(_Ranked):
    """How badly a part was treated, in plain words; the mildest first."""

    WITHIN = "within rating"
    MARGINAL = "marginal"
    OVER = "over-stressed"
    DESTROYED = "destroyed likely"

    @property
    def suspect(self) -> bool:
        """True where the part cannot stay in the unit without its cold check."""
        return self.rank >= Severity.OVER.rank


class Adequacy(_Ranked):
    """What a replacement is worth against the original, in plain words; the worst first."""

    UNACCEPTABLE = "not acceptable"
    NOTE = "acceptable with note"
    EQUIVALENT = "equivalent"
    BETTER = "better"


@dataclass(frozen=True, kw_only=True, slots=True)
class Stress:
    """One stress of a part against one rating."""

    quantity: str  # such as ``reverse voltage``
    unit: str  # of the three figures
    rating: float
    event: float | None  # what the event put on it, or None where it put nothing
    service: float | None  # what the highest line voltage in service puts on it
    severity: Severity  # on the worse of the two
    source: str  # of the formula

    @property
    def event_ratio(self) -> float | None:
        """Stress at the event over rating."""
        return None if self.event is None else self.event / self.rating

    @property
    def service_ratio(self) -> float | None:
        """Stress in service over rating."""
        return None if self.service is None else self.service / self.rating

    @property
    def ratio(self) -> float:
        """The worse of both ratios; zero where there is neither."""
        return max(self.event_ratio or 0.0, self.service_ratio or 0.0)

    @property
    def margin_frac(self) -> float:
        """What is left to the rating, as a share of it; negative past it."""
        return 1.0 - self.ratio


@dataclass(frozen=True, kw_only=True, slots=True)
class ColdCheck:
    """What to measure without power, and what a sound part gives."""

    part: str = ""  # its name; empty for the whole unit
    measure: str
    expected: str  # in words; ``low`` and ``high`` bound the figure
    low: float | None = None
    high: float | None = None
    unit: str = ""
    suspect: bool = False  # it was over-stressed: these come first


@dataclass(frozen=True, kw_only=True, slots=True)
class PartAssessment:
    """One part: how it was treated, and the check that settles it."""

    name: str  # its reference on the board
    kind: str
    severity: Severity
    stresses: tuple[Stress, ...]  # the worst first; at least one
    #: What was seen on it or told of it, where that decides and no figure; else empty.
    known: str
    reason: str  # what decides in a sentence: that, or the worst stress
    remarks: tuple[str, ...]
    check: ColdCheck
    replaced: bool
    broken: bool  # seen to be beyond proof: only replacing it helps

    @property
    def worst(self) -> Stress:
        """The stress that decides."""
        return self.stresses[0]


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """One figure of a replacement held against the original and against what is needed."""

    item: str  # what is compared
    original: str  # a dash where it is not given
    fitted: str
    adequacy: Adequacy
    reason: str = ""  # why, with the figures; empty where both are the same


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacement:
    """One replaced part; its findings, the worst first, and the verdict on all of them."""

    name: str
    kind: str
    adequacy: Adequacy
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Assessment:
    """Everything worked out from a unit file."""

    title: str
    serial: str
    maker: str | None
    story: str  # what happened, in a sentence or two
    #: In the order of suspicion: gravest verdict, then worst ratio, then along the current path.
    parts: tuple[PartAssessment, ...]
    checks: tuple[ColdCheck, ...]  # in the order of doing
    replacements: tuple[Replacement, ...]  # the worst first
    open_points: tuple[str, ...]  # what is still to be done or cleared up
    to_clear_up: tuple[str, ...]  # those of them that no single part's proof settles
    assumptions: tuple[str, ...]  # what was taken for granted where the file is silent
    cautions: tuple[str, ...]
    prevention: tuple[str, ...]  # what would have kept the event from the unit
    hand_over: Mapping[str, Any]  # owner, location, work in seconds, parts used, contact

    @property
    def not_acceptable(self) -> tuple[str, ...]:
        """Names of the parts that power may not meet.

        Replacements that are not acceptable, and parts that were seen broken and are still in.
        """
        wrong = (one for one in self.replacements if one.adequacy is Adequacy.UNACCEPTABLE)
        return (*(one.name for one in wrong), *(one.name for one in self.broken_in_place))

    @property
    def broken_in_place(self) -> tuple[PartAssessment, ...]:
        """Parts that were seen broken and not replaced: no check proves them sound."""
        return tuple(one for one in self.parts if one.broken and not one.replaced)

    @property
    def left_in_place(self) -> tuple[str, ...]:
        """Names of the parts that were over-stressed and not replaced: each is to be proved."""
        return tuple(one.name for one in self.parts if one.severity.suspect and not one.replaced)

    @property
    def acceptable(self) -> bool:
        """True when there is nothing not acceptable; also when nothing was replaced."""
        return not self.not_acceptable


def as_plain(assessment: Assessment) -> dict[str, Any]:
    """Return an assessment as JSON takes it: its fields, each stress with its ratios as well."""
    told = asdict(assessment)
    for part, told_part in zip(assessment.parts, told["parts"], strict=True):
        for stress, row in zip(part.stresses, told_part["stresses"], strict=True):
            for name in ("event_ratio", "service_ratio", "ratio", "margin_frac"):
                row[name] = getattr(stress, name)
    told["acceptable"] = assessment.acceptable
    told["not_acceptable"] = assessment.not_acceptable
    told["left_in_place"] = assessment.left_in_place
    return told
