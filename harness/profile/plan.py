"""The plan: every level of every step in numbers, ready to carry out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.forecast import Forecast
from harness.profile.instruments import Tester
from harness.profile.level import Level
from harness.profile.safety_checks import SafetyTests
from harness.profile.schema import Profile
from harness.profile.step import Rest
from harness.profile.steps import Step
from harness.profile.wiring import Wiring


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
    wiring: Wiring = field(default_factory=Wiring)
    #: Whether power goes off before it, for a person moves something.
    moves: bool = False
    #: Whether the unit's enable input is pulled in it, or its charger woken, by the bench.
    enable: bool = False
    #: Whether the lamp of a source set by hand is in series; None: there is none.
    lamp: bool | None = None
    #: Readings that each check is made of, by its name, with the keys of the bench's instruments.
    made_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def all_levels(self) -> tuple[Level, ...]:
        """Everything it sets, :attr:`restart` first."""
        return (*self.restart, *self.levels)


@dataclass(frozen=True, slots=True)
class OpenPoint:
    """What keeps a run from releasing the unit, whatever else is measured (safety rule 11)."""

    text: str  # a whole sentence
    proved_by: str = ""  # the check that settles it by passing; empty where none does


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A profile expanded for a bench, or for none yet."""

    profile: Profile
    bench: BenchFile | None
    steps: tuple[PlannedStep, ...]
    notes: tuple[str, ...]  # what the reader must know, such as that there is no charge budget
    cautions: tuple[str, ...]  # the usual ones for this unit (safety rule 10)
    #: What an earlier run may have left at the bench, in words; a caution, too. Empty: nothing.
    left_behind: str = ""
    #: What pulls the enable input, or wakes the charger: the role of an instrument, ``hand``, or
    #: empty for nothing.
    enable_way: Literal["aux", "enable_switch", "hand", ""] = ""
    #: Time that a reading of the feed is the mean over; it ends with the reading.
    averaged_s: float = 0.0
    duration_s: float  # what the holds take, without settling
    safety: SafetyTests  # the safety tests after repair, and where they are
    #: What keeps a run of it from releasing the unit; see :mod:`harness.profile.open_points`.
    open_points: tuple[OpenPoint, ...] = ()
    #: What the checks of figures of the start can be expected to know on this bench.
    forecasts: tuple[Forecast, ...] = ()
    #: What speaks against any run of it, each a whole sentence: what the bench's dialects cannot do
    #: and the plan cannot do without, and what is wrong with the unit at hand. Pre-flight refuses.
    objections: tuple[str, ...] = ()

    @property
    def checks(self) -> tuple[Check, ...]:
        """Every check that this bench can make, in order."""
        return tuple(check for step in self.steps for check in step.checks)

    @property
    def testers(self) -> dict[str, Tester]:
        """The testers of the bench that its checks are read off, by the name they call them."""
        there = {} if self.bench is None else self.bench.testers
        named = dict.fromkeys(check.tester for check in self.checks if check.tester)
        return {name: there[name] for name in named if name in there}

    @property
    def cannot_release(self) -> str:
        """Why no run of it can release the unit, in a few sentences; empty where one can."""
        if self.profile.purpose == "pre-check":
            return "A pre-check releases no unit."
        listed = [point.text for point in self.open_points if not point.proved_by]
        return " ".join(["This run cannot release the unit.", *listed]) if listed else ""
