"""The output of a battery charger: it gives nothing until a battery is there.

The figures are of the terminals and know no chemistry: which batteries a charger is for, and how it
treats them, its own instructions say.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from harness.files.field_types import Amps, Table, Volts, mistaken
from harness.quantity import format_quantity

_RANGE = '["7.2 V", "18 V"]'  # an example


def _two_rising(range_v: tuple[float, ...]) -> tuple[float, ...]:
    if len(range_v) != 2 or not range_v[0] < range_v[1]:
        raise mistaken("the voltages of a battery are its least and its highest one", _RANGE)
    return range_v


class ChargerOutput(Table):
    """Constant current into a battery up to the highest voltage, there a taper, and an end."""

    kind: Literal["charger"]
    #: Least and highest voltage of the batteries that it charges, at its terminals.
    range_v: Annotated[tuple[Volts, ...], AfterValidator(_two_rising)] = Field(examples=[_RANGE])
    current_a: Amps  # of the charge
    #: Current it may give at most; None: nobody says.
    limit_a: Amps | None = None
    #: Voltage at its terminals from which on it takes a battery as there; None: the least of them.
    wake: Volts | None = Field(default=None, examples=['"5 V"'])
    #: The charge ends at the highest voltage, once the current has fallen to this: by taper ...
    end_current_a: Amps | None = Field(default=None, examples=['"0.2 A"'])
    #: ... or at constant current, once the voltage has fallen by this from its highest.
    end_drop_v: Volts | None = Field(default=None, examples=['"80 mV"'])
    #: What it draws from a battery at most while it is without mains; None: nobody says.
    drain_a: Amps | None = Field(default=None, examples=['"5 mA"'])

    @property
    def lowest_v(self) -> float:
        """The least voltage of a battery that it charges."""
        return self.range_v[0]

    @property
    def nominal_v(self) -> float:
        """The highest voltage that it charges to: what hangs at it must bear that."""
        return self.range_v[1]

    @property
    def sign(self) -> float:
        """It is above its return."""
        return 1.0

    @property
    def wake_v(self) -> float:
        """Voltage at its terminals from which on a battery is there."""
        return self.lowest_v if self.wake is None else self.wake

    @property
    def rating(self) -> str:
        """What it gives, in a few words."""
        least, most = (format_quantity(each, "V") for each in self.range_v)
        return f"charges {least} to {most} with {format_quantity(self.current_a, 'A')}"

    @field_validator("limit_a", "end_current_a")
    @classmethod
    def _beside_the_current(cls, value: float | None, info: ValidationInfo) -> float | None:
        current_a = info.data.get("current_a")
        if value is None or current_a is None:
            return value
        given, charge = format_quantity(value, "A"), format_quantity(current_a, "A")
        if info.field_name == "limit_a" and value < current_a:
            raise mistaken(f"{given} is less than the charge current of {charge}")
        if info.field_name == "end_current_a" and value >= current_a:
            raise mistaken(f"{given} is no end: the charge current is {charge}")
        return value

    @field_validator("wake")
    @classmethod
    def _below_the_range(cls, wake_v: float | None, info: ValidationInfo) -> float | None:
        range_v = info.data.get("range_v")
        if wake_v is not None and range_v is not None and wake_v > range_v[0]:
            raise mistaken(
                f"{format_quantity(wake_v, 'V')} is above {format_quantity(range_v[0], 'V')}, the "
                "least battery that it charges: that one would never be found"
            )
        return wake_v

    @model_validator(mode="after")
    def _one_end(self) -> ChargerOutput:
        if (self.end_current_a is None) is (self.end_drop_v is None):
            raise mistaken(
                "a charge ends by taper or by a drop of the voltage: say one of end_current and "
                "end_drop",
                'end_current = "0.2 A"',
            )
        if self.end_drop_v is not None and self.end_drop_v >= self.lowest_v:
            raise mistaken(
                f"a drop of {format_quantity(self.end_drop_v, 'V')} is more than a battery has"
            )
        return self
