"""The enable or wake input of a unit, as the nameplate names it."""

from __future__ import annotations

from pydantic import Field, ValidationInfo, field_validator

from harness.files.field_types import Name, Table, Volts, mistaken
from harness.quantity import format_quantity


class EnableInput(Table):
    """The unit's enable or wake input: a pin that has to be pulled before the unit works."""

    #: How a person finds it, after *the enable input*.
    pin: Name = Field(examples=['"pin 4 of J2"'])
    #: Voltage it is driven to, against the output's return; None: it is joined to that return.
    nominal_v: Volts | None = Field(default=None, examples=['"5 V"'])
    #: The most it bears; None: a tenth over nominal.
    highest: Volts | None = Field(default=None, examples=['"5.5 V"'])

    @field_validator("highest")
    @classmethod
    def _above_nominal(cls, highest_v: float | None, info: ValidationInfo) -> float | None:
        nominal_v = info.data.get("nominal_v")
        if highest_v is None or "nominal_v" not in info.data:
            return highest_v
        if nominal_v is None:
            raise mistaken("a pin that is joined to the return has no voltage: leave this key out")
        if highest_v < nominal_v:
            raise mistaken(
                f"{format_quantity(highest_v, 'V')} is below the nominal "
                f"{format_quantity(nominal_v, 'V')}"
            )
        return highest_v

    @property
    def highest_v(self) -> float:
        """The most it bears; zero where it is joined to the return."""
        return self.highest or 1.1 * (self.nominal_v or 0.0)

    @property
    def told(self) -> str:
        """What is done to it, in a few words."""
        if self.nominal_v is None:
            return f"{self.pin}, joined to the output's return"
        return f"{self.pin}, at {format_quantity(self.nominal_v, 'V')}"
