"""How a number is written into a message, as data (pure)."""

from __future__ import annotations

from decimal import Decimal

from pydantic import Field

from harness.bench.scpi import decimal_text
from harness.files.field_types import Table


class NumberForm(Table):
    """How many digits, in steps of what, and how wide."""

    #: Digits after the point.
    decimals: int = Field(default=0, examples=["0"])  # bounds: dialect_rules
    #: What one count is worth: 0.01 where 12 V are sent as 1200.
    scale: float = Field(default=1.0, gt=0.0, examples=["0.01"])
    #: Characters, point included; noughts in front fill it. Left out: as many as it takes.
    width: int = Field(default=0, ge=0, le=20, examples=["4"])

    def written(self, value: float) -> str:
        """Write a number for the wire, cut to its digits; ValueError where it has no room."""
        text = decimal_text(value, self.decimals, self.scale)
        if self.width and len(text) > self.width:
            raise ValueError(f"{value:g} does not fit into {self.width} characters: {text}")
        return text.zfill(self.width)

    def read(self, text: str) -> float:
        """Return the value that what was written stands for."""
        return float(Decimal(text) * Decimal(repr(self.scale)))
