"""What an assessment says: plain values, for the screen, the record and the report alike."""

from __future__ import annotations

import enum
from dataclasses import asdict, dataclass
from typing import Any

__all__ = [
    "Adequacy",
    "Assessment",
    "ColdCheck",
    "Finding",
    "PartAssessment",
    "Replacement",
    "Severity",
    "Stress",
    "as_plain",
]


class Severity(enum.StrEnum):
    """How badly a part was treated, in plain words; the mildest first."""

    WITHIN = "within rating"
    MARGINAL = "marginal"
    OVER = "over-stressed"
    DESTROYED = "destroyed likely"

    @property
    def rank(self) -> int:
        """Place from the mildest on."""
        return list(Severity).index(self)

    @property
    def suspect(self) -> bool:
        """True where the part cannot stay in the unit without its cold check."""
        return self.rank >= Severity.OVER.rank


class Adequacy(enum.StrEnum):
    """What a replacement is worth against the original, in plain words; the worst first."""

    UNACCEPTABLE = "not acceptable"
    NOTE = "acceptable with note"
    EQUIVALENT = "equivalent"
    BETTER = "better"

    @property
    def rank(self) -> int:
        """Place from the worst on."""
        return list(Adequacy).index(self)


@dataclass(frozen=True, kw_only=True, slots=True)
class Stress:
    """One stress of a part against one rating.

    Attributes:
        quantity: What is compared, such as ``reverse voltage``.
        unit: Unit of the three figures.
        event: What the event put on it, or None where it put nothing.
        service: What the highest line voltage in service puts on it, or None.
        severity: The verdict on the worse of the two.
        source: Where the formula comes from.
    """

    quantity: str
    unit: str
    rating: float
    event: float | None
    service: float | None
    severity: Severity
    source: str

    @property
    def event_ratio(self) -> float | None:
        """Stress at the event over rating."""
        return None if self.event is None else self.event / self.rating

    @property
    def service_ratio(self) -> float | None:
        """Stress at the highest line voltage in service over rating."""
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
    """What to measure without power, and what a sound part gives.

    Attributes:
        part: Name of the part, or empty for the whole unit.
        expected: What a sound part gives, in words; ``low`` and ``high`` bound the figure.
        unit: Unit of the bounds, or empty where there are none.
        suspect: True where the part was over-stressed: these come first.
    """

    part: str
    measure: str
    expected: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    suspect: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class PartAssessment:
    """One part: how it was treated, and the check that settles it.

    Attributes:
        name: Its reference on the board.
        severity: The worst verdict of its stresses.
        stresses: Its stresses, the worst first; at least one.
        reason: The worst stress in a sentence.
        remarks: What else there is to know of it.
        check: The cold check that settles it.
    """

    name: str
    kind: str
    severity: Severity
    stresses: tuple[Stress, ...]
    reason: str
    remarks: tuple[str, ...]
    check: ColdCheck
    replaced: bool

    @property
    def worst(self) -> Stress:
        """The stress that decides."""
        return self.stresses[0]

    @property
    def ratio(self) -> float:
        """Ratio of the stress that decides."""
        return self.worst.ratio


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """One figure of a replacement held against the original and against what is needed.

    Attributes:
        item: What is compared.
        original: The original's, as text; a dash where it is not given.
        fitted: The fitted part's, as text.
        reason: Why, with the figures; empty where both are the same.
    """

    item: str
    original: str
    fitted: str
    adequacy: Adequacy
    reason: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacement:
    """One replaced part; its findings, the worst first, and the verdict on all of them."""

    name: str
    kind: str
    adequacy: Adequacy
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Assessment:
    """Everything worked out from a unit file.

    Attributes:
        story: What happened, in a sentence or two.
        parts: The parts in the order of suspicion: gravest verdict first, then worst ratio, then
            the usual order of the current path.
        checks: The cold checks in the order of doing.
        replacements: The replaced parts, the worst first.
        open_points: What is still to be done or cleared up.
        assumptions: What was taken for granted where the file is silent.
    """

    title: str
    serial: str
    maker: str | None
    story: str
    parts: tuple[PartAssessment, ...]
    checks: tuple[ColdCheck, ...]
    replacements: tuple[Replacement, ...]
    open_points: tuple[str, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def acceptable(self) -> bool:
        """True when no replacement is unacceptable; also when nothing was replaced."""
        return all(part.adequacy is not Adequacy.UNACCEPTABLE for part in self.replacements)


def as_plain(assessment: Assessment) -> dict[str, Any]:
    """Return an assessment as JSON takes it: keys are the names of the attributes.

    Every stress carries its ratios and margin as well, and the whole ``acceptable``.
    """
    told = asdict(assessment)
    for part, told_part in zip(assessment.parts, told["parts"], strict=True):
        for stress, row in zip(part.stresses, told_part["stresses"], strict=True):
            for name in ("event_ratio", "service_ratio", "ratio", "margin_frac"):
                row[name] = getattr(stress, name)
    return {**told, "acceptable": assessment.acceptable}
