"""The steps that hold nominal voltage or the corners of the line: nominal, line, soak."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from harness.files.field_types import Fraction, Hertz, Seconds, Volts
from harness.profile.level import Level, LevelMaker
from harness.profile.measures import Situation
from harness.profile.step import ChargeableStep, HeldStep, Place
from harness.quantity import format_quantity


class NominalStep(HeldStep):
    """Nominal voltage, held."""

    place = Place.NOMINAL
    situations = frozenset({Situation.HELD, Situation.WATCHED, Situation.RISING})
    about = "nominal voltage, held"

    kind: Literal["nominal"]
    dwell_s: Seconds
    frequency_hz: Hertz | None = None
    #: The one of a nominal range that it, and later steps, go by; None: that of the step before.
    nominal_v: Volts | None = Field(default=None, examples=['"240 V"'])

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage."""
        maker.on_line(self.nominal_v)
        yield maker.nominal(self.dwell_s, self.current_limit_a, self.frequency_hz)


class LineStep(ChargeableStep):
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
                time_at_limit_s=self.time_at_limit_s(maker),
            )


class SoakStep(ChargeableStep):
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
        at_limit_s = self.time_at_limit_s(maker)
        yield maker.held(label, *held, load=self.point, time_at_limit_s=at_limit_s)
