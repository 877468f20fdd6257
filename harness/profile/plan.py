"""The plan: every level of every step in numbers, ready to carry out."""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.level import Level
from harness.profile.schema import Profile
from harness.profile.step import Rest
from harness.profile.steps import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """One step of the plan."""

    number: int  # position in the profile, counted from 1
    kind: str
    name: str  # its title, or kind where it has none, made unique in the plan ("nominal 2")
    step: Step  # as the profile has it
    levels: tuple[Level, ...]  # what to set and hold, in order
    checks: tuple[Check, ...]  # those that this bench can make
    dropped: tuple[tuple[Check, str], ...] = ()  # those that fall away, each with the reason
    #: Levels by which power comes back where it is off when the step begins; empty where it is on,
    #: or stays off.
    restart: tuple[Level, ...] = ()
    rest: Rest = field(default_factory=Rest)

    @property
    def all_levels(self) -> tuple[Level, ...]:
        """Everything it sets, :attr:`restart` first."""
        return (*self.restart, *self.levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A profile expanded for a bench, or for none yet."""

    profile: Profile
    bench: BenchFile | None
    steps: tuple[PlannedStep, ...]
    notes: tuple[str, ...]  # what the reader must know, such as that there is no charge budget
    cautions: tuple[str, ...]  # the usual ones for this unit (safety rule 10)
    duration_s: float  # what the holds take, without settling
    #: Why a run of it cannot release the unit, whatever is measured, each in a few words.
    open_points: tuple[str, ...] = ()
    #: What the bench's dialects cannot do and the plan cannot do without, each a whole sentence;
    #: pre-flight refuses for it.
    lacking: tuple[str, ...] = ()

    @property
    def cannot_release(self) -> str:
        """The open points as one sentence; empty where there are none."""
        listed = "; ".join(self.open_points)
        return f"This run cannot release the unit: {listed}." if listed else ""
