"""The step ``dip``: the input drops for a stated time and comes back, timed by the keeper.

Terms and pairs of depth and time are those of IEC 61000-4-11 (from memory): a voltage dip leaves a
share of the voltage, a short interruption leaves none.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field, model_validator

from harness.files.field_types import (
    Fraction,
    FractionOrZero,
    Hertz,
    Number,
    Seconds,
    bounded,
    mistaken,
)
from harness.profile.hand_loads import is_battery
from harness.profile.level import Level, LevelMaker
from harness.profile.measures import Situation
from harness.profile.step import LoadableStep, Place
from harness.quantity import format_quantity


class DipStep(LoadableStep):
    """Voltage dips and short interruptions of the input."""

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.HELD, Situation.LOADED, Situation.DIPPED, Situation.WATCHED})
    about = "the input drops for a stated time and comes back"
    judged_by_level = True

    kind: Literal["dip"]
    #: Share of nominal voltage that is left meanwhile.
    residual_frac: FractionOrZero = Field(examples=['"0 %"', '"70 %"'])
    #: Longest: nobody but the keeper watches meanwhile, and for longer it need not be timed.
    duration_s: Annotated[
        Seconds,
        bounded(
            "s",
            'a drop of more than {} is no dip: take a step of the kind "cycle", with its off, '
            "which switches off, brings power back by the start and measures how long it was off",
            '"20 ms"',
            most=1,
        ),
    ] = Field(examples=['"20 ms"'])
    times: Number = Field(default=1.0, ge=1.0, le=20.0, examples=["3"])
    #: Held so long after each, once it has come to rest.
    dwell_s: Seconds
    frequency_hz: Hertz | None = None
    #: Share of nominal line voltage it begins at and comes back to.
    line_frac: Fraction = Field(
        default=1.0, alias="line", validate_default=False, examples=['"90 %"']
    )

    @model_validator(mode="after")
    def _whole(self) -> DipStep:
        if self.times != int(self.times):
            raise mistaken("times is a whole number", "3")
        if self.residual_frac >= self.line_frac:
            raise mistaken("what is left is less than what it drops from", 'residual = "0 %"')
        if self.load is not None and is_battery(self.load):
            raise mistaken("a battery would feed the output meanwhile: take a resistor")
        return self

    @property
    def called(self) -> str:
        """What it is called: what is left, and for how long."""
        duration = format_quantity(self.duration_s, "s")
        return f"{format_quantity(self.residual_frac, '%')} for {duration}"

    def note(self, reading_s: float | None, by_meter: str = "") -> str:
        """Say before power what is done, and what the supply of the bench can time.

        ``reading_s`` is the time between two of its readings, where it is known; ``by_meter`` what
        is said of a meter that reads the output.
        """
        told = (
            f"the keeper drops the line to {self.called}, a voltage dip or short interruption "
            "(IEC 61000-4-11, from memory). How long it takes is measured from messages and "
            "answers, and judged with that uncertainty"
        )
        if self.load is None and self.point is None:
            told += (
                ". Nothing loads it but the unit itself, which then bridges far longer than at "
                "work: state the current it works at, or a load"
            )
        told += by_meter
        if reading_s is None:
            return f"{told}."
        takes = format_quantity(reading_s, "s")
        if reading_s >= self.duration_s:
            return (
                f"{told}. This supply answers in {takes}: it may not come back sooner, and no "
                "reading of it falls into the drop."
            )
        return f"{told}; this supply answers in {takes}."

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield the line once for each dip, with what the unit may take as it comes back."""
        count = int(self.times)
        for number in range(1, count + 1):
            which = f", {number} of {count}" if count > 1 else ""
            yield maker.returned(
                maker.held(
                    f"{self.called}{which}",
                    self.dwell_s,
                    self.current_limit_a,
                    self.frequency_hz,
                    load=self.point,
                    voltage_frac=self.line_frac,
                    time_at_limit_s=maker.time_at_limit_s,
                ),
                loaded=self.load is not None or self.point is not None,
            )
