"""What every kind of step has, and what a kind can state of itself."""

from __future__ import annotations

from collections.abc import Iterator
from enum import Enum, auto
from typing import ClassVar

from pydantic import Field

from harness.files.field_types import Amps, Name, Table
from harness.profile.check import Check
from harness.profile.level import Level, LoadPoint
from harness.profile.levels import LevelMaker
from harness.profile.measures import Situation
from harness.profile.rest import Rest
from harness.unit.nameplate import Output, Unit


class Place(Enum):
    """Where a kind of step stands among the others."""

    BEFORE_POWER = auto()  # ahead of the first start
    START = auto()  # there is one, and nothing under power comes before it
    NOMINAL = auto()  # brings nominal voltage, whatever the start reached
    AT_NOMINAL = auto()  # nominal voltage was reached before
    LAST = auto()  # at nominal voltage, and only its like comes after it


class AnyStep(Table):
    """What every step has.

    Attributes:
        place: Where its kind stands among the others.
        situations: What can be measured in its kind; with ``HELD`` the unit is held under power,
            with ``LOADED`` an electronic load may be on.
        about: What it does, in a few words.
        title: A name for the table and the record; empty: the kind.
        checks: What is judged at the end of the step (at every level, for some kinds).
    """

    place: ClassVar[Place]
    situations: ClassVar[frozenset[Situation]]
    about: ClassVar[str]

    title: Name = Field(default="", validate_default=False)
    checks: tuple[Check, ...] = ()

    @property
    def moves_leads(self) -> bool:
        """Whether power goes off before it, so that the meter can be moved."""
        return False

    @property
    def load_by_hand(self) -> str | None:
        """The load that a person connects, with power off before and after, or None."""
        return None

    def loaded_output(self, unit: Unit) -> Output:
        """Return the output it loads, the unit's first where it names none."""
        name: str | None = getattr(self, "output", None)
        return unit.output[name or next(iter(unit.output))]

    def levels(self, maker: LevelMaker) -> Iterator[Level]:  # noqa: ARG002 - none without power
        """Yield what it sets, in order."""
        yield from ()

    def implied_checks(self) -> tuple[Check, ...]:
        """Return the checks that it is by itself."""
        return ()

    def hand_note(self, restart: str) -> str:  # noqa: ARG002 - nothing to do by hand
        """Say what a person does on the way and when power is off for it; empty where nothing.

        Args:
            restart: Labels of the levels by which power comes back; empty where it does not.
        """
        return ""


class PoweredStep(AnyStep):
    """What every step under power has.

    Attributes:
        rest: What counts as at rest in this step, or None for the profile's.
    """

    rest: Rest | None = Field(default=None, examples=['{ tolerance = "2 %" }'])


class HeldStep(PoweredStep):
    """What every step held at a voltage that was reached before has.

    Attributes:
        current_limit_a: Limit of the supply, or None for the envelope's current.
    """

    current_limit_a: Amps | None = Field(default=None, alias="current_limit")


class LoadableStep(HeldStep):
    """What a step has that may be loaded at one current.

    Attributes:
        current_a: Load current, or None for no load.
        output: Name of the output that is loaded, or None for the first of the unit.
    """

    current_a: Amps | None = Field(default=None, alias="current")
    output: str | None = None

    @property
    def point(self) -> LoadPoint | None:
        """Setting of the load, or None."""
        return None if self.current_a is None else LoadPoint("current", self.current_a)
