"""The step ``start``: the voltage rises level by level, current-limited."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator

from harness.files.field_types import (
    Amps,
    Hertz,
    Number,
    Seconds,
    Volts,
    bounded,
    mistaken,
    read_quantity,
)
from harness.profile.level import Level, LevelMaker
from harness.profile.measures import Situation
from harness.profile.step import Place, PoweredStep
from harness.quantity import format_quantity, shown

_LEVELS = '["25 %", "50 %", "75 %", "100 %"]'  # an example


def _level(text: object) -> float:
    level = read_quantity(text, "%")
    if level <= 0:
        raise mistaken(f"{shown(text)} is not above zero", '"10 %"')
    if level > 1:
        raise mistaken(f"{shown(text)} is over 100 %: a start ends at nominal voltage", '"100 %"')
    return level


def _volts(value_v: float) -> str:
    return format_quantity(value_v, "V")


#: What a person is asked for where no meter stands across the bulk capacitor.
ASK_BULK = "Voltage across the bulk capacitor, measured now"
#: Which way round the leads are at the input of an AC unit that is fed with DC.
Polarity = Literal["normal", "reversed"]


class StartStep(PoweredStep):
    """Current-limited start: the voltage rises level by level."""

    place = Place.START
    situations = frozenset({Situation.STARTED, Situation.HELD, Situation.RISING})
    about = "the voltage rises level by level, current-limited"

    kind: Literal["start"]
    levels_frac: tuple[Annotated[float, BeforeValidator(_level)], ...] = Field(
        min_length=1, examples=[_LEVELS]
    )
    current_limit_a: Amps
    #: Limit of the lowest level, so slow that the readings weigh the bulk capacitor; None: as the
    #: others.
    slow_limit_a: Amps | None = Field(default=None, examples=['"20 mA"'])
    dwell_s: Seconds
    #: How many times the charge (energy, for AC) that fills the bulk capacitor a healthy unit may
    #: take for the voltage gained.
    charge_factor: Number = Field(default=2.0, ge=1.0, le=10.0, examples=["2.5"])
    #: Where no capacitance is known: a short heats all that while.
    time_at_limit_s: Annotated[
        Seconds, bounded("s", "more than {} at the limit bounds nothing", '"0.5 s"', most=10.0)
    ] = Field(default=0.5, validate_default=False, examples=['"0.5 s"'])
    frequency_hz: Hertz | None = None  # None: the unit's first
    #: Which way round the leads are at an AC unit that is fed with DC: the other way round, the
    #: other pair of its bridge's diodes carries the current.
    polarity: Polarity = "normal"
    #: Before a start that is not the first: how long power stays off; and the bulk voltage from
    #: which on the capacitor is discharged by hand, None for whatever is left on it.
    off_s: Seconds = Field(default=1.0, validate_default=False, examples=['"2 s"'])
    bulk_below_v: Volts | None = Field(default=None, examples=['"5 V"'])
    #: The one of a nominal range that its levels, and later steps, are shares of; None: the lowest.
    nominal_v: Volts | None = Field(default=None, examples=['"100 V"'])

    @field_validator("levels_frac")
    @classmethod
    def _rising(cls, levels_frac: tuple[float, ...]) -> tuple[float, ...]:
        for before, after in itertools.pairwise(levels_frac):
            if after <= before:
                lower, higher = format_quantity(after, "%"), format_quantity(before, "%")
                raise mistaken(f"levels must rise: {lower} comes after {higher}", _LEVELS)
        return levels_frac

    def again_note(self, *, leads_change: bool) -> str:
        """Say what comes before it where it is not the first start."""
        leads = " The supply's leads are changed over by hand." if leads_change else ""
        less = ""
        if self.bulk_below_v is not None:
            less = (
                f", and discharged through a resistor until it is below {_volts(self.bulk_below_v)}"
            )
        return (
            f"power goes off for {format_quantity(self.off_s, 's')}.{leads} What is left on the "
            f"bulk capacitor is measured, by a meter across it or by hand{less}: the allowance "
            "begins there."
        )

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield each level with its inrush allowance."""
        maker.on_line(self.nominal_v)
        yield from maker.start(
            self.levels_frac,
            self.dwell_s,
            self.current_limit_a,
            self.frequency_hz,
            slow_limit_a=self.slow_limit_a,
            charge_factor=self.charge_factor,
            time_at_limit_s=self.time_at_limit_s,
        )
