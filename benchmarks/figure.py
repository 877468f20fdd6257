"""One measured figure, with the goal it is held against."""

from __future__ import annotations

import operator
from dataclasses import dataclass
from typing import Literal

__all__ = ["Figure", "Goal", "rounded"]

_COMPARE = {"<=": operator.le, "<": operator.lt, ">=": operator.ge}


@dataclass(frozen=True, slots=True)
class Goal:
    """What a figure should be.

    Attributes:
        sign: How it is compared: ``<=``, ``<`` or ``>=``.
        bound: With what, in the unit of the figure.
    """

    sign: Literal["<=", "<", ">="]
    bound: float

    def met_by(self, value: float) -> bool:
        """Return whether a value reaches the goal; one that is no number never does."""
        return bool(_COMPARE[self.sign](value, self.bound))

    def __str__(self) -> str:
        return f"{self.sign} {self.bound:g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One measured figure.

    Attributes:
        name: What was measured.
        value: What came of it.
        unit: Unit of value and goal; empty for a count or a ratio.
        goal: What it should be, or None where it is told for comparison only.
        told: The absolute values behind it.
        conditions: How they came about, and what limits them.
    """

    name: str
    value: float
    unit: str = ""
    goal: Goal | None = None
    told: str
    conditions: str

    @property
    def met(self) -> bool | None:
        """Whether the goal is reached, or None where there is none."""
        return None if self.goal is None else self.goal.met_by(self.value)


def rounded(value: float) -> str:
    """Return a value to three digits, without an exponent where it has a thousand or more."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
