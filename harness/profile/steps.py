"""The steps of a profile as data, one class a kind."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum, auto
from typing import Annotated, ClassVar, Literal, get_args

from pydantic import AfterValidator, BeforeValidator, Field, field_validator, model_validator

from harness.files.field_types import (
    Amps,
    AmpsOrZero,
    Flag,
    Fraction,
    Hertz,
    Name,
    Number,
    Ohms,
    Seconds,
    Table,
    Volts,
    WattsOrZero,
    mistaken,
    read_quantity,
)
from harness.profile.check import Check
from harness.profile.measures import SETTINGS
from harness.profile.rest import Rest
from harness.quantity import QuantityError, format_quantity, parse_quantity, shown

__all__ = [
    "LOAD_UNITS",
    "STEP_KINDS",
    "ColdStep",
    "DischargeStep",
    "LineStep",
    "LoadMode",
    "LoadPoint",
    "LoadStep",
    "NominalStep",
    "Place",
    "SoakStep",
    "StartStep",
    "Step",
    "step_kinds",
]


class Place(Enum):
    """Where a kind of step stands among the others."""

    BEFORE_POWER = auto()  # ahead of the first start
    START = auto()  # there is one, and nothing under power comes before it
    NOMINAL = auto()  # brings nominal voltage, whatever the start reached
    AT_NOMINAL = auto()  # nominal voltage was reached before
    LAST = auto()  # at nominal voltage, and only its like comes after it


class _Step(Table):
    """What every step has.

    Attributes:
        place: Where this kind of step stands among the others.
        title: A name for the table and the record; empty: the kind.
        checks: What is judged at the end of the step (at every level, for a load step).
    """

    place: ClassVar[Place]

    title: Name = Field(default="", validate_default=False)
    checks: tuple[Check, ...] = ()


class _PoweredStep(_Step):
    """What every step under power has.

    Attributes:
        rest: What counts as at rest in this step, or None for the profile's.
    """

    rest: Rest | None = Field(default=None, examples=['{ tolerance = "2 %" }'])


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


class StartStep(_PoweredStep):
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

    place = Place.START

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


class NominalStep(_PoweredStep):
    """Nominal voltage, held.

    Attributes:
        dwell_s: Time it is held once it has settled.
        current_limit_a: Limit of the supply, or None for the envelope's current.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    place = Place.NOMINAL

    kind: Literal["nominal"]
    dwell_s: Seconds = Field(alias="dwell")
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")


class ColdStep(_Step):
    """Checks without power, before the first start."""

    place = Place.BEFORE_POWER

    kind: Literal["cold"]


#: What an electronic load holds constant.
LoadMode = Literal["current", "resistance", "power"]


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One setting of an electronic load.

    Attributes:
        mode: What it holds constant.
        value: Current in A, resistance in ohm, or power in W.
    """

    mode: LoadMode
    value: float

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return LOAD_UNITS[self.mode]

    @property
    def label(self) -> str:
        """What the table and the record call it."""
        return format_quantity(self.value, self.unit)

    def current_a(self, voltage_v: float) -> float:
        """Current it takes at an output voltage.

        Source: Ohm's law; P = V I, textbook.
        """
        if self.mode == "current":
            return self.value
        return voltage_v / self.value if self.mode == "resistance" else self.value / voltage_v


#: Unit of a load point by its mode.
LOAD_UNITS = SETTINGS["load"]


class LoadStep(_PoweredStep):
    """Load points at nominal voltage.

    Attributes:
        mode: What the electronic load holds constant.
        currents_a: Load points in constant current, in the order they are set; ``"0 A"`` is
            allowed.
        resistances_ohm: Load points in constant resistance.
        powers_w: Load points in constant power.
        load: A load that is connected by hand instead: ``"resistor 10 ohm"``, or the name of the
            real one. Power is off while that is done.
        overload: Whether a point may be above the output's nominal current.
        dwell_s: Time each point is held once it has settled.
        output: Name of the output that is loaded, or None for the first of the unit.
        current_limit_a: Limit of the supply, or None for the envelope's current.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    place = Place.AT_NOMINAL

    kind: Literal["load"]
    mode: LoadMode = "current"
    currents_a: tuple[AmpsOrZero, ...] | None = Field(
        default=None, alias="currents", min_length=1, examples=['["0 A", "1.25 A", "2.5 A"]']
    )
    resistances_ohm: tuple[Ohms, ...] | None = Field(
        default=None, alias="resistances", min_length=1, examples=['["20 ohm", "10 ohm"]']
    )
    powers_w: tuple[WattsOrZero, ...] | None = Field(
        default=None, alias="powers", min_length=1, examples=['["0 W", "30 W", "60 W"]']
    )
    load: Name | None = Field(default=None, examples=['"resistor 10 ohm"'])
    overload: Flag = False
    dwell_s: Seconds = Field(alias="dwell")
    output: str | None = None
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")

    @property
    def points(self) -> tuple[LoadPoint, ...]:
        """Its load points; none where the load is connected by hand."""
        lists = {
            "current": self.currents_a,
            "resistance": self.resistances_ohm,
            "power": self.powers_w,
        }
        return tuple(LoadPoint(self.mode, value) for value in lists[self.mode] or ())

    @property
    def resistor_ohm(self) -> float | None:
        """Resistance of a load that is connected by hand, or None where it is not told."""
        kind, _, value = (self.load or "").partition(" ")
        if kind != "resistor":
            return None
        try:
            return parse_quantity(value, "ohm")
        except QuantityError:
            return None


class LineStep(_PoweredStep):
    """Corners of line voltage and frequency, each held and judged.

    Attributes:
        voltages_frac: Corners of the voltage as shares of nominal.
        frequencies_hz: Corners of the line frequency, or None for all of the unit's; AC alone.
        dwell_s: Time each corner is held once it has settled.
        current_a: Load current at every corner, or None for no load.
        output: Name of the output that is loaded, or None for the first of the unit.
        current_limit_a: Limit of the supply, or None for the envelope's current.
    """

    place = Place.AT_NOMINAL

    kind: Literal["line"]
    voltages_frac: tuple[Fraction, ...] = Field(
        alias="voltages", min_length=1, examples=['["90 %", "100 %", "110 %"]']
    )
    frequencies_hz: tuple[Hertz, ...] | None = Field(
        default=None, alias="frequencies", min_length=1, examples=['["50 Hz", "60 Hz"]']
    )
    dwell_s: Seconds = Field(alias="dwell")
    current_a: Amps | None = Field(default=None, alias="current")
    output: str | None = None
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")


class SoakStep(_PoweredStep):
    """Nominal voltage, held for long.

    Attributes:
        duration_s: Time it is held once it has settled.
        current_a: Load current, or None for no load.
        output: Name of the output that is loaded, or None for the first of the unit.
        current_limit_a: Limit of the supply, or None for the envelope's current.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    place = Place.AT_NOMINAL

    kind: Literal["soak"]
    duration_s: Seconds = Field(alias="duration", examples=['"10 min"'])
    current_a: Amps | None = Field(default=None, alias="current")
    output: str | None = None
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")


class DischargeStep(_PoweredStep):
    """Power off, and the stored voltage measured until it can be touched.

    Attributes:
        across: Terminals that are measured at.
        below_v: Voltage it has to fall below, or None for the limit's.
        within_s: Time it may take, or None for the limit's.
        limit: Name of a row of the limit table that gives both, or None.
    """

    place = Place.LAST

    kind: Literal["discharge"]
    across: Literal["input", "bulk", "output"] = "output"
    below_v: Volts | None = Field(default=None, alias="below", examples=['"60 V"'])
    within_s: Seconds | None = Field(default=None, alias="within", examples=['"2 s"'])
    limit: Name | None = None

    @model_validator(mode="after")
    def _bounded(self) -> DischargeStep:
        given = (self.below_v is not None) + (self.within_s is not None)
        if self.limit is None and given < 2:
            raise mistaken(
                "a discharge step needs below and within, or a limit that has both",
                'below = "60 V"',
            )
        if self.limit is not None and given:
            raise mistaken(
                f"below and within stand beside the limit {self.limit!r}: leave one of the two out"
            )
        return self


_AnyStep = StartStep | ColdStep | NominalStep | LineStep | LoadStep | SoakStep | DischargeStep

Step = Annotated[_AnyStep, Field(discriminator="kind")]


def step_kinds(classes: Iterable[type[_Step]]) -> dict[str, type[_Step]]:
    """Return the class of each kind of step.

    Raises:
        TypeError: A class does not say where its kind stands: nobody could tell what it needs.
    """
    kinds: dict[str, type[_Step]] = {}
    for step in classes:
        (kind,) = get_args(step.model_fields["kind"].annotation)
        if not isinstance(getattr(step, "place", None), Place):
            raise TypeError(f"the step kind {kind!r} does not state its place")
        kinds[kind] = step
    return kinds


#: Every kind of step that a profile can name, the very ones it is validated by.
STEP_KINDS: Mapping[str, type[_Step]] = step_kinds(get_args(_AnyStep))
