"""What every kind of step has, and what a kind can state of itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from enum import Enum, auto
from typing import Annotated, ClassVar, Self

from pydantic import Field, PrivateAttr, model_validator

from harness.files.field_types import (
    Amps,
    Flag,
    Fraction,
    Name,
    Seconds,
    Table,
    Volts,
    bounded,
    mistaken,
)
from harness.profile.check import Check
from harness.profile.hand_loads import (
    BATTERY_NOTE,
    SMALL_SUPPLY_NOTE,
    is_battery,
    small_supply,
    small_supply_v,
)
from harness.profile.level import Level, LevelMaker, LoadPoint
from harness.profile.measures import Situation
from harness.quantity import format_quantity
from harness.unit.nameplate import Output, Unit


class Rest(Table):
    """What counts as at rest, and how long it is waited for."""

    #: Spans that the longest time has at least: scatter is averaged over eight.
    _SPANS: ClassVar[float] = 10.0

    #: How far the mean current may move over one span, as a share of the current limit; for the
    #: voltage a fifth of it, as a share of what is set. The supply's accuracy where that is more. A
    #: part that gives way drifts no faster than the bound.
    tolerance_frac: Annotated[
        Fraction,
        bounded("%", "more than {} of the limit in one span is no rest", '"2 %"', most=0.1),
    ] = Field(default=0.005, validate_default=False, examples=['"2 %"'])
    #: Time over which it may move so far: the slowest time constant that matters. For less, an
    #: instrument's averaging looks like rest, too.
    span_s: Annotated[
        Seconds,
        bounded(
            "s", "for less than {} a converter's slow start looks like rest", '"0.2 s"', least=0.1
        ),
        bounded("s", "a span of more than {} says nothing of a hold", '"1 s"', most=60.0),
    ] = Field(default=0.2, validate_default=False, examples=['"0.2 s"'])
    #: Longest time the readings may take to come to rest: the unit is under power all the while.
    longest_s: Annotated[
        Seconds, bounded("s", "a unit that has no rest after {} has none", '"30 s"', most=600.0)
    ] = Field(default=10.0, validate_default=False, examples=['"30 s"'])

    @model_validator(mode="after")
    def _long_enough(self) -> Rest:
        if self.longest_s < self._SPANS * self.span_s * (1 - 1e-9):
            least = format_quantity(self._SPANS * self.span_s, "s")
            raise mistaken(
                f"longest is less than ten spans, {least}: scatter is averaged over eight"
            )
        return self


class Place(Enum):
    """Where a kind of step stands among the others."""

    BEFORE_POWER = auto()  # ahead of the first start
    START = auto()  # there is one, and nothing under power comes before it
    NOMINAL = auto()  # brings nominal voltage, whatever the start reached
    AT_NOMINAL = auto()  # nominal voltage was reached before
    LAST = auto()  # at nominal voltage, and only its like comes after it


class AnyStep(Table):
    """What every step has."""

    #: Where its kind stands among the others.
    place: ClassVar[Place]
    #: What can be measured in its kind; with ``HELD`` the unit is held under power, with
    #: ``LOADED`` an electronic load may be on.
    situations: ClassVar[frozenset[Situation]]
    #: What it does, in a few words.
    about: ClassVar[str]
    #: Whether its checks are judged at every level, each by a name with the level's label.
    judged_by_level: ClassVar[bool] = False

    title: Name = Field(default="", validate_default=False)  # empty: the kind
    checks: tuple[Check, ...] = ()

    def restart(self, maker: LevelMaker, *, live: bool) -> Iterator[Level]:
        """Yield the levels that bring power back, where it finds it off or has it put off."""
        if self.place is not Place.START and not live:
            limit_a = getattr(self, "current_limit_a", None)
            yield from maker.again(limit_a, getattr(self, "frequency_hz", None))

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
        """Say what a person does on the way, power off, until it comes back by ``restart``."""
        return ""


class PoweredStep(AnyStep):
    """What every step under power has."""

    rest: Rest | None = Field(default=None, examples=['{ tolerance = "2 %" }'])
    #: Whether the enable input is pulled in it; None: as in the step before, at first not.
    enable: Flag | None = None


class HeldStep(PoweredStep):
    """What every step held at a voltage that was reached before has."""

    #: None: the envelope's current.
    current_limit_a: Amps | None = None


class HandLoadedStep(HeldStep):
    """What a step has whose load may be connected by hand, power off, instead of set."""

    #: ``resistor 10 ohm``, or the name of the real load; None: none by hand.
    load: Name | None = Field(default=None, examples=['"resistor 10 ohm"'])
    output: str | None = None  # None: the unit's first
    #: Time that a charger is given to find what hangs at it, before the readings count.
    wait_s: Annotated[
        Seconds,
        bounded(
            "s", "a charger that has found nothing after {} finds nothing", '"10 s"', most=60.0
        ),
    ] = Field(default=5.0, validate_default=False, examples=['"10 s"'])
    #: What electronic loads at other outputs take meanwhile, each at constant current.
    others: dict[Name, Amps] = Field(default_factory=dict, examples=['{ standby = "1 A" }'])

    @property
    def by_hand(self) -> str | None:
        """What a person connects for it, power off; None: nothing."""
        return self.load

    def restart(self, maker: LevelMaker, *, live: bool) -> Iterator[Level]:
        """Yield what a unit is started through with a load connected by hand, power off."""
        if self.by_hand is None:
            yield from super().restart(maker, live=live)
        else:
            yield from maker.below_threshold(getattr(self, "frequency_hz", None))

    @property
    def finds(self) -> bool:
        """Whether a charger is given time to find what wakes it."""
        return is_battery(self.by_hand or "")

    @property
    def ends_off(self) -> bool:
        """Whether power is off after it: something is taken off, or a charger must go to sleep."""
        return self.by_hand is not None or self.finds

    def connected(self, levels: Iterable[Level], boots_s: float = 0.0) -> Iterator[Level]:
        """Yield levels as they are with what is connected by hand, if anything is.

        At the first one the unit begins to work: a charger finds what wakes it, and what boots
        takes ``boots_s`` for it.
        """
        by_hand = self.by_hand or ""
        for number, level in enumerate(levels):
            wait_s = level.wait_s
            if number == 0 and (by_hand or self.finds):
                wait_s = max(boots_s if by_hand else 0.0, self.wait_s if self.finds else 0.0)
            yield replace(level, charges=is_battery(by_hand), wait_s=wait_s)

    def hand_note(self, restart: str) -> str:  # noqa: ARG002 - power is off twice either way
        """Say when the load is connected and taken off."""
        if self.by_hand is None:
            return ""
        told = f"power goes off while the {self.by_hand} is connected, and again after it."
        if is_battery(self.by_hand):
            return f"{told} {BATTERY_NOTE}"
        if small_supply_v(self.by_hand) is not None:
            return f"{told} {SMALL_SUPPLY_NOTE}"
        return (
            f"{told} What it takes becomes heat: it may be too hot to touch when it is taken off."
        )


class WakingStep(HandLoadedStep):
    """What a step has whose load may stand in for the battery that a charger waits for."""

    #: Voltage at its output that wakes a charger, by a small supply behind a diode; None: none.
    wake_v: Volts | None = Field(default=None, examples=['"5 V"'])

    _woken: bool = PrivateAttr(default=False)

    @property
    def woken(self) -> bool:
        """Whether the bench's auxiliary supply wakes the charger in it."""
        return self._woken

    def woken_by_aux(self) -> Self:
        """Return it with no small supply to connect: the bench has an auxiliary one there."""
        copy = self.model_copy()
        copy._woken = True  # noqa: SLF001 - its own class
        return copy

    @property
    def by_hand(self) -> str | None:
        """What a person connects for it, power off: the load, or the small supply."""
        return self.load if self.wake_v is None or self.woken else small_supply(self.wake_v)

    @property
    def finds(self) -> bool:
        """Whether a charger is given time to find what wakes it."""
        return self.wake_v is not None or super().finds


class LoadableStep(HandLoadedStep):
    """What a step has that may be loaded at one current, or by hand."""

    current_a: Amps | None = None  # None: no load that is set

    @property
    def point(self) -> LoadPoint | None:
        """Setting of the load."""
        return None if self.current_a is None else LoadPoint("current", self.current_a)


class ChargeableStep(LoadableStep, WakingStep):
    """What a step has whose load may also hold the voltage of a battery."""

    #: Voltage that the load holds, in the place of a charger's battery; None: it holds none.
    load_voltage_v: Volts | None = Field(default=None, examples=['"17 V"'])

    @property
    def point(self) -> LoadPoint | None:
        """Setting of the load."""
        held_v = self.load_voltage_v
        return super().point if held_v is None else LoadPoint("voltage", held_v)

    def time_at_limit_s(self, maker: LevelMaker) -> float | None:
        """Return for how long the supply may be in its limit; None where it may not for long."""
        at_it = self.load is not None or self.wake_v is not None
        return maker.time_at_limit_s if at_it else None
