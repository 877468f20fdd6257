"""An output of constant voltage, as the nameplate names it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from harness.files.field_types import Amps, Flag, Table, Volts, mistaken
from harness.quantity import format_quantity


class FixedOutput(Table):
    """An output of constant voltage."""

    #: ``logic`` is a signal, such as power good: its voltage says high, and nothing loads it.
    kind: Literal["dc", "ac", "logic"] = Field(examples=['"dc"'])
    nominal_v: Volts
    current_a: Amps
    #: Current it may be asked for beyond the nominal one.
    limit_a: Amps | None = None
    #: Whether it is below its return; ``nominal_v`` is the size of its voltage.
    polarity: Literal["positive", "negative"] = "positive"
    standby: Flag = False  # alive whenever the unit has power, whatever the enable input

    @property
    def sign(self) -> float:
        """Minus one below its return, else one."""
        return -1.0 if self.polarity == "negative" else 1.0

    @property
    def rating(self) -> str:
        """What it gives, in a few words."""
        volts = format_quantity(self.sign * self.nominal_v, "V")
        amps = format_quantity(self.current_a, "A")
        return f"{volts} {self.kind.upper()}, {amps}"

    @field_validator("limit_a")
    @classmethod
    def _beyond_nominal(cls, limit_a: float | None, info: ValidationInfo) -> float | None:
        current_a = info.data.get("current_a")
        if limit_a is not None and current_a is not None and limit_a < current_a:
            raise mistaken(
                f"{format_quantity(limit_a, 'A')} is less than the nominal "
                f"{format_quantity(current_a, 'A')}"
            )
        return limit_a
