"""The kinds of step: one class each says what a profile states of it and what the plan makes of it.

Everything that depends on the kind is told here; how it is carried out is told in ``run/steps.py``.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Annotated, Any, Literal, get_args

from pydantic import BeforeValidator, Field, field_validator, model_validator

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
from harness.profile.level import Level, LevelMaker, LoadMode, LoadPoint
from harness.profile.measures import Measure, Situation
from harness.profile.step import (
    AnyStep,
    HandLoadedStep,
    HeldStep,
    LoadableStep,
    Place,
    PoweredStep,
    bounded,
)
from harness.quantity import format_quantity, shown


class ColdStep(AnyStep):
    """Checks without power, before the first start."""

    place = Place.BEFORE_POWER
    situations = frozenset({Situation.COLD})
    about = "checks without power, by meter and operator"

    kind: Literal["cold"]


_LEVELS = '["25 %", "50 %", "75 %", "100 %"]'  # an example


def _level(text: object) -> float:
    level = read_quantity(text, "%")
    if level <= 0:
        raise mistaken(f"{shown(text)} is not above zero", '"10 %"')
    if level > 1:
        raise mistaken(f"{shown(text)} is over 100 %: a start ends at nominal voltage", '"100 %"')
    return level


class StartStep(PoweredStep):
    """Current-limited start: the voltage rises level by level."""

    place = Place.START
    situations = frozenset({Situation.STARTED, Situation.HELD})
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

    @field_validator("levels_frac")
    @classmethod
    def _rising(cls, levels_frac: tuple[float, ...]) -> tuple[float, ...]:
        for before, after in itertools.pairwise(levels_frac):
            if after <= before:
                lower, higher = format_quantity(after, "%"), format_quantity(before, "%")
                raise mistaken(f"levels must rise: {lower} comes after {higher}", _LEVELS)
        return levels_frac

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield each level with its inrush allowance."""
        yield from maker.start(
            self.levels_frac,
            self.dwell_s,
            self.current_limit_a,
            self.frequency_hz,
            slow_limit_a=self.slow_limit_a,
            charge_factor=self.charge_factor,
            time_at_limit_s=self.time_at_limit_s,
        )


class NominalStep(HeldStep):
    """Nominal voltage, held."""

    place = Place.NOMINAL
    situations = frozenset({Situation.HELD, Situation.WATCHED})
    about = "nominal voltage, held"

    kind: Literal["nominal"]
    dwell_s: Seconds
    frequency_hz: Hertz | None = None

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage."""
        yield maker.nominal(self.dwell_s, self.current_limit_a, self.frequency_hz)


#: Key of the load points in a file, by what the load holds constant.
POINT_KEYS: Mapping[LoadMode, str] = {
    "current": "currents",
    "resistance": "resistances",
    "power": "powers",
}
POINT_EXAMPLES: Mapping[LoadMode, str] = {
    "current": '["0 A", "1.25 A", "2.5 A"]',
    "resistance": '["20 ohm", "10 ohm"]',
    "power": '["0 W", "30 W", "60 W"]',
}


def _point_list(mode: LoadMode) -> Any:
    examples = [POINT_EXAMPLES[mode]]
    return Field(default=None, alias=POINT_KEYS[mode], min_length=1, examples=examples)


class LoadStep(HandLoadedStep):
    """Load points at nominal voltage, in the order they are set."""

    place = Place.AT_NOMINAL
    situations = frozenset(
        {Situation.HELD, Situation.LOADED, Situation.LOAD_POINTS, Situation.WATCHED}
    )
    about = "load points at nominal voltage, each held"
    judged_by_level = True

    kind: Literal["load"]
    mode: LoadMode = "current"
    currents_a: tuple[AmpsOrZero, ...] | None = _point_list("current")
    resistances_ohm: tuple[Ohms, ...] | None = _point_list("resistance")
    powers_w: tuple[WattsOrZero, ...] | None = _point_list("power")
    overload: Flag = False  # whether a point may be above the output's nominal current
    dwell_s: Seconds
    frequency_hz: Hertz | None = None

    @property
    def points(self) -> tuple[LoadPoint, ...]:
        """Its load points; none where the load is connected by hand."""
        values = {
            "current": self.currents_a,
            "resistance": self.resistances_ohm,
            "power": self.powers_w,
        }[self.mode]
        return tuple(LoadPoint(self.mode, value) for value in values or ())

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage at each load point, or once with the load connected by hand."""
        held = (self.dwell_s, self.current_limit_a, self.frequency_hz)
        if self.load is not None:
            yield maker.held(self.load, *held, time_at_limit_s=maker.time_at_limit_s)
        for point in self.points:
            yield maker.held(point.label, *held, load=point)


class LineStep(LoadableStep):
    """Corners of line voltage and frequency, each held and judged."""

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.HELD, Situation.LOADED, Situation.CORNERS, Situation.WATCHED})
    about = "corners of line voltage and frequency, each held"
    judged_by_level = True

    kind: Literal["line"]
    #: Shares of nominal.
    voltages_frac: tuple[Fraction, ...] = Field(
        min_length=1, examples=['["90 %", "100 %", "110 %"]']
    )
    #: AC alone; None: all of the unit's.
    frequencies_hz: tuple[Hertz, ...] | None = Field(
        default=None, min_length=1, examples=['["50 Hz", "60 Hz"]']
    )
    dwell_s: Seconds

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
                time_at_limit_s=maker.time_at_limit_s if self.load else None,
            )


class SoakStep(LoadableStep):
    """Nominal voltage, held for long."""

    place = Place.AT_NOMINAL
    situations = frozenset({Situation.HELD, Situation.LOADED, Situation.WATCHED})
    about = "nominal voltage, held for long"

    kind: Literal["soak"]
    duration_s: Seconds = Field(examples=['"10 min"'])
    frequency_hz: Hertz | None = None

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage, with its load."""
        label = self.load or ("soak" if self.point is None else self.point.label)
        held = (self.duration_s, self.current_limit_a, self.frequency_hz)
        at_limit_s = maker.time_at_limit_s if self.load else None
        yield maker.held(label, *held, load=self.point, time_at_limit_s=at_limit_s)


class DischargeStep(PoweredStep):
    """Power off, and the stored voltage measured until it can be touched."""

    place = Place.LAST
    situations = frozenset({Situation.FALL})
    about = "power off, and the stored voltage followed until it is low"

    kind: Literal["discharge"]
    across: Literal["input", "bulk", "output"] = "output"
    #: Voltage it has to fall below, and time it may take; None: the limit's.
    below_v: Volts | None = Field(default=None, examples=['"60 V"'])
    within_s: Seconds | None = Field(default=None, examples=['"2 s"'])
    limit: Name | None = None  # a row of the limit table that gives both
    source: Name | None = Field(default=None, examples=['"drafted"'])  # of both
    #: Connected across the bulk capacitor by hand, so that its fall weighs it; None: none is.
    resistor_ohm: Ohms | None = Field(default=None, examples=['"10 kohm"'])
    #: Either way; that of the usual resistor where it is left out (letter J of IEC 60062).
    resistor_tolerance_frac: Fraction = Field(
        default=0.05, validate_default=False, examples=['"1 %"']
    )

    @model_validator(mode="after")
    def _at_the_capacitor(self) -> DischargeStep:
        if self.resistor_ohm is not None and self.across != "bulk":
            raise mistaken(
                f"a resistor goes with the meter across the bulk capacitor, not the {self.across}",
                'across = "bulk"',
            )
        if self.resistor_tolerance_frac >= 0.5:
            raise mistaken("a resistor known to half of itself weighs nothing", '"1 %"')
        return self

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
        if self.limit is not None and self.source is not None:
            raise mistaken(
                f"a source stands beside the limit {self.limit!r}, whose table says where it comes "
                "from: leave one of the two out"
            )
        return self

    def restart(self, maker: LevelMaker, *, live: bool) -> Iterator[Level]:
        """Yield what brings power back after the meter was moved; at the output it stays."""
        for level in super().restart(maker, live=live and self.across == "output"):
            if level.budget is None or self.resistor_ohm is None:
                yield level
                continue
            least_ohm = self.resistor_ohm * (1.0 - self.resistor_tolerance_frac)
            yield replace(level, budget=replace(level.budget, across_bulk_ohm=least_ohm))

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage, to fall from."""
        yield maker.nominal(0.0, None, None)

    def implied_checks(self) -> tuple[Check, ...]:
        """Return the check of the time."""
        if self.below_v is None:
            return ()
        name = f"{self.across} below {format_quantity(self.below_v, 'V')}"
        return (
            Check.model_construct(
                name=name, measure="discharge_time", high=self.within_s, source=self.source
            ),
        )

    def hand_note(self, restart: str) -> str:
        """Say when the meter is moved, and the resistor connected."""
        if not restart:
            return ""
        resistor = "" if self.resistor_ohm is None else " and the resistor connected"
        return (
            f"power goes off while the meter is moved to the {self.across}{resistor}, comes back "
            f"by {restart}, and goes off again to be timed."
        )

    def resistor_note(self, highest_v: float) -> str:
        """Say what a person needs to know of the resistor; empty where there is none.

        ``highest_v`` is the most that may be across it. Source: P = V^2 / R, textbook; twice of it
        as a rating: common practice.
        """
        if self.resistor_ohm is None:
            return ""
        power_w = highest_v**2 / self.resistor_ohm
        return (
            f"resistor of {format_quantity(self.resistor_ohm, 'ohm')} across the bulk capacitor, "
            f"insulated, rated for {format_quantity(highest_v, 'V', 3)} and at least "
            f"{format_quantity(2.0 * power_w, 'W', 2)}: with up to "
            f"{format_quantity(power_w, 'W', 2)} in it it gets hot. Connect it with power off and "
            "the capacitor discharged and measured, and take it off the same way"
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
