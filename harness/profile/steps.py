"""The kinds of step: one class each says what a profile states of it and what the plan makes of it.

Everything that depends on the kind is told here; how it is carried out is told in ``run/steps.py``.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Literal, get_args

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
    Volts,
    WattsOrZero,
    mistaken,
    read_quantity,
)
from harness.profile.check import Check
from harness.profile.level import Level, LoadMode, LoadPoint, resistor_ohm
from harness.profile.levels import LevelMaker, Start
from harness.profile.measures import Measure, Situation
from harness.profile.step import AnyStep, HeldStep, LoadableStep, Place, PoweredStep
from harness.quantity import format_quantity, shown


class ColdStep(AnyStep):
    """Checks without power, before the first start."""

    place = Place.BEFORE_POWER
    situations = frozenset({Situation.COLD})
    about = "checks without power, by meter and operator"

    kind: Literal["cold"]


def _level(text: object) -> float:
    level = read_quantity(text, "%")
    if level <= 0:
        raise mistaken(f"{shown(text)} is not above zero", '"10 %"')
    if level > 1:
        raise mistaken(f"{shown(text)} is over 100 %: a start ends at nominal voltage", '"100 %"')
    return level


#: Longest time at the limit that can be asked for: a short heats all that while.
_LONGEST_AT_LIMIT_S = 10.0


def _short(time_s: float) -> float:
    if time_s > _LONGEST_AT_LIMIT_S:
        most = format_quantity(_LONGEST_AT_LIMIT_S, "s")
        raise mistaken(f"more than {most} at the limit bounds nothing", '"0.5 s"')
    return time_s


class StartStep(PoweredStep):
    """Current-limited start: the voltage rises level by level.

    Attributes:
        levels_frac: Levels as shares of nominal voltage, rising, none above 1.
        current_limit_a: Limit of the supply during the start.
        dwell_s: Time each level is held once it has settled.
        charge_factor: How many times the charge (energy, for AC) that fills the bulk capacitor a
            healthy unit may take for the voltage gained.
        time_at_limit_s: Longest time at the current limit where no capacitance is known.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    place = Place.START
    situations = frozenset({Situation.HELD})
    about = "the voltage rises level by level, current-limited"

    kind: Literal["start"]
    levels_frac: tuple[Annotated[float, BeforeValidator(_level)], ...] = Field(
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

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield each level with its inrush allowance."""
        return maker.start(
            Start(
                levels_frac=self.levels_frac,
                current_limit_a=self.current_limit_a,
                dwell_s=self.dwell_s,
                charge_factor=self.charge_factor,
                time_at_limit_s=self.time_at_limit_s,
                frequency_hz=maker.frequency_hz(self.frequency_hz),
            )
        )


class NominalStep(HeldStep):
    """Nominal voltage, held.

    Attributes:
        dwell_s: Time it is held once it has settled.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    place = Place.NOMINAL
    situations = frozenset({Situation.HELD})
    about = "nominal voltage, held"

    kind: Literal["nominal"]
    dwell_s: Seconds = Field(alias="dwell")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage."""
        yield maker.nominal(self.dwell_s, self.current_limit_a, self.frequency_hz)


class LoadStep(HeldStep):
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
        frequency_hz: Line frequency, or None for the unit's first.
    """

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.HELD, Situation.LOADED, Situation.LOAD_POINTS})
    about = "load points at nominal voltage, each held"

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
    def load_by_hand(self) -> str | None:
        """The load that a person connects, or None for an electronic one."""
        return self.load

    @property
    def resistor_ohm(self) -> float | None:
        """Resistance of a load that is connected by hand, or None where it is not told."""
        return None if self.load is None else resistor_ohm(self.load)

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage at each load point, or once with the load connected by hand."""
        if self.load is not None:
            yield maker.held(
                self.load,
                self.dwell_s,
                self.current_limit_a,
                self.frequency_hz,
                time_at_limit_s=maker.time_at_limit_s,
            )
        for point in self.points:
            yield maker.held(
                point.label, self.dwell_s, self.current_limit_a, self.frequency_hz, load=point
            )

    def hand_note(self, restart: str) -> str:  # noqa: ARG002 - power is off twice either way
        """Say when the load is connected and taken off."""
        if self.load is None:
            return ""
        return (
            f"power goes off while {self.load} is connected, and again after it. What it takes "
            "becomes heat: it may be too hot to touch when it is taken off."
        )


class LineStep(LoadableStep):
    """Corners of line voltage and frequency, each held and judged.

    Attributes:
        voltages_frac: Corners of the voltage as shares of nominal.
        frequencies_hz: Corners of the line frequency, or None for all of the unit's; AC alone.
        dwell_s: Time each corner is held once it has settled.
    """

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.HELD, Situation.LOADED, Situation.CORNERS})
    about = "corners of line voltage and frequency, each held"

    kind: Literal["line"]
    voltages_frac: tuple[Fraction, ...] = Field(
        alias="voltages", min_length=1, examples=['["90 %", "100 %", "110 %"]']
    )
    frequencies_hz: tuple[Hertz, ...] | None = Field(
        default=None, alias="frequencies", min_length=1, examples=['["50 Hz", "60 Hz"]']
    )
    dwell_s: Seconds = Field(alias="dwell")

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield every corner, frequency by frequency, in the order of the voltages."""
        frequencies_hz = maker.frequencies_hz(self.frequencies_hz)
        for frequency_hz, share in itertools.product(frequencies_hz, self.voltages_frac):
            label = format_quantity(share, "%")
            if len(frequencies_hz) > 1 and frequency_hz is not None:
                label = f"{label}, {format_quantity(frequency_hz, 'Hz')}"
            yield maker.held(
                label,
                self.dwell_s,
                self.current_limit_a,
                frequency_hz,
                load=self.point,
                voltage_frac=share,
            )


class SoakStep(LoadableStep):
    """Nominal voltage, held for long.

    Attributes:
        duration_s: Time it is held once it has settled.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.HELD, Situation.LOADED})
    about = "nominal voltage, held for long"

    kind: Literal["soak"]
    duration_s: Seconds = Field(alias="duration", examples=['"10 min"'])
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage, with its load."""
        label = "soak" if self.point is None else self.point.label
        yield maker.held(
            label, self.duration_s, self.current_limit_a, self.frequency_hz, load=self.point
        )


class DischargeStep(PoweredStep):
    """Power off, and the stored voltage measured until it can be touched.

    Attributes:
        across: Terminals that are measured at.
        below_v: Voltage it has to fall below, or None for the limit's.
        within_s: Time it may take, or None for the limit's.
        limit: Name of a row of the limit table that gives both, or None.
    """

    place = Place.LAST
    situations = frozenset({Situation.FALL})
    about = "power off, and the stored voltage followed until it is low"

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

    @property
    def moves_leads(self) -> bool:
        """At the output nothing is moved."""
        return self.across != "output"

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage, to fall from."""
        yield maker.nominal(0.0, None, None)

    def implied_checks(self) -> tuple[Check, ...]:
        """Return the check of the time."""
        if self.below_v is None:
            return ()
        name = f"{self.across} below {format_quantity(self.below_v, 'V')}"
        check = Check.model_validate({"name": name, "measure": "discharge_time", "high": "1 s"})
        return (check.model_copy(update={"high": self.within_s}),)

    def hand_note(self, restart: str) -> str:
        """Say when the meter is moved."""
        if not restart:
            return ""
        return (
            f"power goes off while the meter is moved to the {self.across}, comes back by "
            f"{restart}, and goes off again to be timed."
        )


_OneStep = StartStep | ColdStep | NominalStep | LineStep | LoadStep | SoakStep | DischargeStep

Step = Annotated[_OneStep, Field(discriminator="kind")]


def step_kinds(classes: Iterable[type[AnyStep]]) -> dict[str, type[AnyStep]]:
    """Return the class of each kind of step.

    Raises:
        TypeError: A class leaves out what the order of steps and the checks go by.
    """
    kinds: dict[str, type[AnyStep]] = {}
    for step in classes:
        (kind,) = get_args(step.model_fields["kind"].annotation)
        for told in ("place", "situations", "about"):
            if not hasattr(step, told):
                raise TypeError(f"the step kind {kind!r} does not state its {told}")
        kinds[kind] = step
    return kinds


#: Every kind of step that a profile can name, the very ones it is validated by.
STEP_KINDS: Mapping[str, type[AnyStep]] = step_kinds(get_args(_OneStep))


def kinds_for(measure: Measure) -> tuple[str, ...]:
    """Return the kinds of step that something can be measured in."""
    return tuple(kind for kind, step in STEP_KINDS.items() if measure.situations & step.situations)
