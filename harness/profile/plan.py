"""The plan: every level of every step in numbers, ready to carry out."""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.level import Level
from harness.profile.rest import Rest
from harness.profile.schema import Profile
from harness.profile.steps import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """One step of the plan.

    Attributes:
        number: Position in the profile, counted from 1.
        kind: The step's kind.
        name: Its title, or kind where it has none, made unique in the plan (``nominal 2``).
        step: The step as the profile has it.
        levels: What to set and hold, in order.
        checks: The checks that this bench can make.
        dropped: Checks that fall away, each with the reason: ``(check, why)``.
        restart: Levels by which power comes back where it is off when the step begins; empty where
            it is on, or stays off.
        rest: What counts as at rest.
    """

    number: int
    kind: str
    name: str
    step: Step
    levels: tuple[Level, ...]
    checks: tuple[Check, ...]
    dropped: tuple[tuple[Check, str], ...] = ()
    restart: tuple[Level, ...] = ()
    rest: Rest = field(default_factory=Rest)

    @property
    def all_levels(self) -> tuple[Level, ...]:
        """Everything it sets, :attr:`restart` first."""
        return (*self.restart, *self.levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A profile expanded for a bench.

    Attributes:
        profile: The profile.
        bench: The bench, or None where the plan was made without one.
        steps: Every step in numbers.
        notes: What the reader must know, such as that there is no charge budget.
        cautions: The usual cautions for this unit (safety rule 10).
        duration_s: Time the holds take, without settling.
        open_points: Why a run of it cannot release the unit, whatever is measured, each in a few
            words; empty where nothing stands in the way.
        lacking: What the bench's dialects cannot do and the plan cannot do without, each a whole
            sentence; pre-flight refuses for it.
    """

    profile: Profile
    bench: BenchFile | None
    steps: tuple[PlannedStep, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    duration_s: float
    open_points: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()

    @property
    def cannot_release(self) -> str:
        """The open points as one sentence; empty where there are none."""
        listed = "; ".join(self.open_points)
        return f"This run cannot release the unit: {listed}." if listed else ""
