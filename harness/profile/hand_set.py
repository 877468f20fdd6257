"""A source that is set by hand: mains through an isolating and a variable transformer, and a lamp.

No link leads to it. What it gives is read by the power meter at the input of the unit, and it is
cut by the switch in the feed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from pydantic import Field, field_validator, model_validator

from harness.files.field_types import Amps, Hertz, Seconds, Table, Volts, Watts, mistaken

#: Resistance of a cold filament as a share of the hot one. Source: common practice, from memory.
_COLD_FRAC = 0.1
#: Current of a tungsten filament goes with the voltage to this power. Source: lighting handbooks
#: give 0.55 about the rated point (from memory).
_CURRENT_POWER = 0.55
#: The least and the most time that a hand may be given for one level.
_LEAST_PATIENCE_S, _MOST_PATIENCE_S = 2.0, 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What a hand is to do for one level, and what it may not do; voltages at the unit, rms."""

    low_v: float  # it is there from here ...
    high_v: float  # ... to here
    most_v: float  # beyond it was turned too far
    fastest_v_per_s: float  # faster than this it was turned too fast
    longest_s: float  # it must be there by then


class SeriesLamp(Table):
    """A filament lamp in series with the unit, by what is printed on it.

    Lamps in parallel count as one of their powers together. No other kind limits anything.
    """

    voltage_v: Volts = Field(examples=['"120 V"'])
    power_w: Watts = Field(examples=['"100 W"'])

    @model_validator(mode="after")
    def _is_a_lamp(self) -> SeriesLamp:
        if not (self.voltage_v > 0 and self.power_w > 0):
            raise mistaken("a lamp has a voltage and a power printed on it", '"100 W"')
        return self

    @property
    def rated_a(self) -> float:
        """Its current at the printed voltage, in A. Source: P = V I, textbook."""
        return self.power_w / self.voltage_v

    @property
    def hot_ohm(self) -> float:
        """Its resistance at the printed voltage, in ohm. Source: P = V^2 / R, textbook."""
        return self.voltage_v**2 / self.power_w

    @property
    def cold_ohm(self) -> float:
        """Its resistance at room temperature, in ohm."""
        return _COLD_FRAC * self.hot_ohm

    def drop_v(self, current_a: float) -> float:
        """Voltage that it takes of a current that has warmed it, in V.

        Source: Ohm's law while it is cold; V = Vr (I / Ir)^(1 / 0.55) once it glows: lighting
            handbooks, from memory.
        """
        glowing_v: float = self.voltage_v * (current_a / self.rated_a) ** (1.0 / _CURRENT_POWER)
        return max(self.cold_ohm * current_a, glowing_v)

    def short_a(self, voltage_v: float) -> float:
        """Current that a short behind it draws from so much voltage once it glows, in A.

        Source: the inverse of :meth:`drop_v`.
        """
        glowing_a: float = self.rated_a * (voltage_v / self.voltage_v) ** _CURRENT_POWER
        return min(voltage_v / self.cold_ohm, glowing_a)

    def first_short_a(self, voltage_v: float) -> float:
        """Current that a short behind it draws before it has warmed, in A rms.

        Source: Ohm's law, textbook.
        """
        return voltage_v / self.cold_ohm


class Given(Table):
    """What a source set by hand can give, at most; left out: unknown."""

    voltage_v: Volts = Field(examples=['"140 V"'])
    current_a: Amps | None = None
    power_w: Watts | None = None


class HandSet(Table):
    """The supply role where a hand sets it: an isolating and a variable transformer on the mains.

    It gives AC, at the frequency of the mains. How exact its readings are is the power meter's.
    """

    role: ClassVar[str] = "supply"

    kind: Literal["by hand"] = Field(examples=['"by hand"'])
    #: The most it gives, with the variable transformer at its end.
    range: Given = Field(examples=['{ voltage = "140 V", current = "5 A" }'])
    frequency_hz: Hertz = Field(examples=['"60 Hz"'])  # of the mains
    #: In series with the unit until a step draws more than it lets through; None: none.
    lamp: SeriesLamp | None = Field(
        default=None, examples=['{ voltage = "120 V", power = "100 W" }']
    )
    #: Longest time that a hand may take from one level to the next.
    patience_s: Seconds = Field(default=30.0, examples=['"30 s"'])

    @field_validator("patience_s")
    @classmethod
    def _bounded(cls, patience_s: float) -> float:
        if not _LEAST_PATIENCE_S <= patience_s <= _MOST_PATIENCE_S:
            raise mistaken(
                f"expected {_LEAST_PATIENCE_S:g} s to {_MOST_PATIENCE_S:g} s: less is no time to "
                "read and turn, more leaves a unit between two levels",
                '"30 s"',
            )
        return patience_s
