"""The step that cycles power: off and on again, a number of times."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field

from harness.files.field_types import Hertz, Seconds, Volts, bounded, mistaken
from harness.profile.level import Level, LevelMaker
from harness.profile.measures import Situation
from harness.profile.step import HeldStep, Place
from harness.quantity import format_quantity, shown

#: Most restarts of one step.
_MOST_TIMES = 1000


def _times(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value <= _MOST_TIMES:
        raise mistaken(f"expected a whole number from 1 to {_MOST_TIMES}, got {shown(value)}", "10")
    return value


class CycleStep(HeldStep):
    """Power off and on again, a number of times; each restart is a start with its own allowance."""

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.STARTED, Situation.HELD, Situation.CYCLED})
    about = "power off and on again, a number of times, each restart held and judged"
    judged_by_level: ClassVar[bool] = True

    kind: Literal["cycle"]
    times: Annotated[int, BeforeValidator(_times)] = Field(examples=["10"])
    #: How long power stays off each time, at least.
    off_s: Annotated[Seconds, bounded("s", "power is not off for {} and more", '"2 s"', most=3600)]
    #: Bulk voltage each restart begins below; None: whatever is left.
    bulk_below_v: Volts | None = Field(default=None, examples=['"5 V"'])
    dwell_s: Seconds
    frequency_hz: Hertz | None = None

    def restart(self, maker: LevelMaker, *, live: bool) -> Iterator[Level]:  # noqa: ARG002
        """Yield the levels of the start: by them power comes back each time."""
        yield from maker.again(self.current_limit_a, self.frequency_hz, slow=True)

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage, held after each restart."""
        for number in range(1, self.times + 1):
            label = f"restart {number}"
            yield maker.held(label, self.dwell_s, self.current_limit_a, self.frequency_hz)

    def hand_note(self, restart: str) -> str:
        """Say what happens each time."""
        less = ""
        if self.bulk_below_v is not None:
            below = format_quantity(self.bulk_below_v, "V")
            less = f", and discharged through a resistor until it is below {below}"
        times = "once" if self.times == 1 else f"{self.times} times"
        return (
            f"{times} power goes off for {format_quantity(self.off_s, 's')} at least and comes "
            f"back by {restart}. What is left on the bulk capacitor is measured before, by a meter "
            f"across it or by hand{less}: the allowance begins there."
        )
