"""The profile as data: what the file says, read into SI floats, and nothing more."""

from __future__ import annotations

import itertools
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from harness.errors import did_you_mean
from harness.profile.from_file import FromFile
from harness.profile.measures import MEASURES
from harness.quantity import format_quantity, shown
from harness.unit.fields import (
    Amps,
    AmpsOrZero,
    Hertz,
    Name,
    Number,
    Seconds,
    Table,
    Volts,
    Watts,
    mistaken,
    problem_of,
    read_quantity,
)
from harness.unit.nameplate import Unit

__all__ = ["Check", "Envelope", "LoadStep", "NominalStep", "Profile", "StartStep", "Step"]


class Envelope(Table):
    """The hard bounds no command and no reading may leave (rms for AC)."""

    voltage_v: Volts = Field(alias="voltage")
    current_a: Amps = Field(alias="current")
    power_w: Watts = Field(alias="power")


class Check(Table):
    """A reading, or a figure computed from readings, and its limits.

    Attributes:
        name: What the technician calls it.
        measure: What is measured; a key of :data:`harness.profile.measures.MEASURES`.
        low: Lower limit in the measure's SI unit, or None.
        high: Upper limit, or None; at least one of the two is there.
        rule: Decision rule: ``guarded`` (by the expanded uncertainty) or ``simple``.
        at: The one load point (in amperes) it is judged at, or None for every point.
    """

    name: Name = Field(examples=['"idle current"'])
    measure: str = Field(examples=['"supply.current"'])
    low: float | None = None
    high: float | None = None
    rule: Literal["guarded", "simple"] = "guarded"
    at: AmpsOrZero | None = None

    @property
    def unit(self) -> str:
        """Unit of value and limits, the measure's: ``%`` for a share of one, ``1`` for a number."""
        return MEASURES[self.measure].unit

    @field_validator("measure", mode="before")
    @classmethod
    def _known(cls, name: object) -> object:
        if not isinstance(name, str) or name not in MEASURES:
            hint = did_you_mean(name, MEASURES)
            raise mistaken(f"there is no measure {shown(name)}{hint}", '"supply.current"')
        return name

    @field_validator("low", "high", mode="before")
    @classmethod
    def _limit(cls, limit: object, info: ValidationInfo) -> float | None:
        """Read a limit in the measure's unit; without a right measure there is none to read."""
        measure = MEASURES.get(info.data.get("measure", ""))
        if measure is None or limit is None:
            return None
        if measure.unit == "1" and isinstance(limit, str):
            raise mistaken(f"expected a plain number, got {shown(limit)}", measure.limits)
        try:
            return read_quantity(limit, measure.unit)
        except PydanticCustomError as error:
            raise mistaken(problem_of(error), measure.limits) from None

    @field_validator("high")
    @classmethod
    def _above_low(cls, high: float | None, info: ValidationInfo) -> float | None:
        low = info.data.get("low")
        if high is not None and low is not None and low > high:
            unit = MEASURES[info.data["measure"]].unit
            raise mistaken(
                f"the upper limit {format_quantity(high, unit)} is below the lower limit "
                f"{format_quantity(low, unit)}"
            )
        return high

    @model_validator(mode="after")
    def _limited(self) -> Check:
        if self.low is None and self.high is None:
            example = MEASURES[self.measure].limits
            raise mistaken(f"check {self.name!r} has neither low nor high", f"high = {example}")
        return self


class _Step(Table):
    """What every step has.

    Attributes:
        title: A name for the table and the record; empty: the kind.
        checks: What is judged at the end of the step (at every level, for a load step).
    """

    title: Name = Field(default="", validate_default=False)
    checks: tuple[Check, ...] = ()


def _level(text: object) -> float:
    level = read_quantity(text, "%")
    if level <= 0:
        raise mistaken(f"{shown(text)} is not above zero", '"10 %"')
    if level > 1:
        raise mistaken(f"{shown(text)} is over 100 %: a start ends at nominal voltage", '"100 %"')
    return level


_LevelFraction = Annotated[float, BeforeValidator(_level)]


#: Longest time at the limit that can be asked for: a short heats all that while.
_LONGEST_AT_LIMIT_S = 10.0


def _short(time_s: float) -> float:
    if time_s > _LONGEST_AT_LIMIT_S:
        most = format_quantity(_LONGEST_AT_LIMIT_S, "s")
        raise mistaken(f"more than {most} at the limit bounds nothing", '"0.5 s"')
    return time_s


class StartStep(_Step):
    """Current-limited start: the voltage rises level by level.

    Attributes:
        levels_frac: Levels as shares of nominal voltage, rising, none above 1.
        current_limit_a: Limit of the supply during the start.
        dwell_s: Time each level is held once it has settled.
        charge_factor: How many times the charge (energy, for AC) that fills the bulk capacitor a
            healthy unit may take for the voltage gained (design: 2).
        time_at_limit_s: Longest time at the current limit where no capacitance is known.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    kind: Literal["start"]
    levels_frac: tuple[_LevelFraction, ...] = Field(
        alias="levels", min_length=1, examples=['["25 %", "50 %", "75 %", "100 %"]']
    )
    current_limit_a: Amps = Field(alias="current_limit")
    dwell_s: Seconds = Field(alias="dwell")
    charge_factor: Number = Field(default=2.0, ge=1.0, le=10.0, examples=["2.5"])
    time_at_limit_s: Annotated[Seconds, AfterValidator(_short)] = Field(
        default=0.5, alias="time_at_limit", validate_default=False, examples=['"0.5 s"']
    )
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")

    @field_validator("levels_frac")
    @classmethod
    def _rising(cls, levels_frac: tuple[float, ...]) -> tuple[float, ...]:
        for before, after in itertools.pairwise(levels_frac):
            if after <= before:
                raise mistaken(
                    f"levels must rise: {format_quantity(after, '%')} comes after "
                    f"{format_quantity(before, '%')}",
                    '["25 %", "50 %", "75 %", "100 %"]',
                )
        return levels_frac


class NominalStep(_Step):
    """Nominal voltage, held.

    Attributes:
        dwell_s: Time it is held once it has settled.
        current_limit_a: Limit of the supply, or None for the envelope's current.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    kind: Literal["nominal"]
    dwell_s: Seconds = Field(alias="dwell")
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")


class LoadStep(_Step):
    """Load points at nominal voltage.

    Attributes:
        currents_a: Constant-current load points in the order they are set; ``"0 A"`` is allowed.
        dwell_s: Time each point is held once it has settled.
        output: Name of the output that is loaded, or None for the first of the unit.
        current_limit_a: Limit of the supply, or None for the envelope's current.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    kind: Literal["load"]
    currents_a: tuple[AmpsOrZero, ...] = Field(
        alias="currents", min_length=1, examples=['["0 A", "1.25 A", "2.5 A"]']
    )
    dwell_s: Seconds = Field(alias="dwell")
    output: str | None = None
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")


Step = Annotated[StartStep | NominalStep | LoadStep, Field(discriminator="kind")]


class Profile(FromFile):
    """What to do to a kind of unit.

    Attributes:
        title: One line that names the kind of unit.
        unit: Its nameplate.
        envelope: The hard bounds.
        steps: The steps in order; at least one.
    """

    title: Name = Field(examples=['"Mount controller board, 24 V DC in, 5 V DC out"'])
    unit: Unit
    envelope: Envelope
    steps: tuple[Step, ...] = Field(min_length=1)
