"""The step ``drain``: power off, a battery connected, and what the charger draws from it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from harness.files.field_types import Name
from harness.profile.hand_loads import BATTERY, BATTERY_NOTE
from harness.profile.level import Level, LevelMaker
from harness.profile.measures import Situation
from harness.profile.step import AnyStep, Place


class DrainStep(AnyStep):
    """What flows out of a battery into a charger that is without mains."""

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.BACKFED})
    about = "power off, and what a charger draws from the battery at it"

    kind: Literal["drain"]
    load: Name = Field(default=BATTERY, examples=['"battery 12 V, 7 Ah"'])
    output: str | None = None  # None: the unit's first

    @property
    def by_hand(self) -> str:
        """What a person connects for it."""
        return self.load

    def restart(self, maker: LevelMaker, *, live: bool) -> Iterator[Level]:  # noqa: ARG002 - it stays off
        """Yield nothing: power stays off."""
        yield from ()

    def hand_note(self, restart: str) -> str:  # noqa: ARG002 - power stays off
        """Say when the battery is connected."""
        return f"power goes off, and stays off while the {self.load} is connected. {BATTERY_NOTE}"
