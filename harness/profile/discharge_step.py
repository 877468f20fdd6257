"""The step ``discharge``: power off, and the stored voltage followed until it is low."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

from pydantic import Field, model_validator

from harness.files.field_types import Fraction, Name, Ohms, Seconds, Volts, mistaken
from harness.profile.check import Check
from harness.profile.level import Level, LevelMaker
from harness.profile.measures import Situation
from harness.profile.step import Place, PoweredStep
from harness.quantity import format_quantity


def resistor_text(resistance_ohm: float, highest_v: float) -> str:
    """Say which resistor goes across the bulk capacitor, with up to ``highest_v`` on it.

    Source: P = V^2 / R, textbook; twice of it as a rating: common practice.
    """
    power_w = highest_v**2 / resistance_ohm
    return (
        f"resistor of {format_quantity(resistance_ohm, 'ohm')} across the bulk capacitor, "
        f"insulated, rated for {format_quantity(highest_v, 'V', 3)} and at least "
        f"{format_quantity(2.0 * power_w, 'W', 2)}: with up to {format_quantity(power_w, 'W', 2)} "
        "in it it gets hot."
    )


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
        """Yield what brings power back after the meter was moved, or the resistor connected."""
        for level in super().restart(maker, live=live and self.resistor_ohm is None):
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
        return self.timed_note(restart, meter_moves=True)

    def timed_note(self, restart: str, *, meter_moves: bool) -> str:
        """Say so of a bench whose meter has to be moved there, or stands there for good."""
        if not restart:
            return ""
        moved = [f"the meter is moved to the {self.across}"] if meter_moves else []
        moved += ["the resistor is connected"] if self.resistor_ohm is not None else []
        off = f"goes off while {' and '.join(moved)}, " if moved else ""
        return f"power {off}comes back by {restart}, and goes off again to be timed."

    def resistor_note(self, highest_v: float) -> str:
        """Say what a person needs to know of the resistor; empty where there is none.

        ``highest_v`` is the most that may be across it.
        """
        if self.resistor_ohm is None:
            return ""
        return (
            f"{resistor_text(self.resistor_ohm, highest_v)} Connect it with power off and the "
            "capacitor discharged and measured, and take it off the same way"
        )
