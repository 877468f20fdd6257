"""What every plot of the report is made of: axes, round figures on them, lines and words."""

from __future__ import annotations

import math
from functools import cache
from importlib import resources
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from harness.report.svg import text

FloatArray = npt.NDArray[np.float64]

_SCALES = ((1.0, ""), (1e-3, "m"), (1e-6, "u"))


class Axis(NamedTuple):
    """Maps values from ``low`` to ``high`` to places on the page from ``start`` to ``end``."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the place of a value."""
        return float(self.places(np.array(value)))

    def places(self, values: FloatArray) -> FloatArray:
        """Return the places of values."""
        # an interval of denormal numbers has no scale that a float can hold
        span = max(self.high - self.low, 1e-12)
        return self.start + (values - self.low) * ((self.end - self.start) / span)


@cache
def style_sheet() -> str:
    """Return the drawing's own look: not every program that prints applies the page's to it."""
    css = resources.files(__package__).joinpath("plot.css").read_text(encoding="utf-8")
    return f"<style>\n{css}</style>"


def ticks(low: float, high: float, most: int) -> list[float]:
    """Return round values (steps of 1, 2 or 5) within an interval, at most ``most`` + 1."""
    raw = (high - low) / most
    if not (math.isfinite(raw) and raw > 0):
        return [low]
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


def scale_for(largest: float) -> tuple[float, str]:
    """Return what the figures of an axis are divided by, and the prefix of their unit."""
    return next((each for each in _SCALES if largest >= 0.3 * each[0]), _SCALES[0])


def line(style: str, x1: float, y1: float, x2: float, y2: float) -> str:
    """Return a straight line."""
    return f'<line class="{style}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def words(style: str, x: float, y: float, told: str, anchor: str = "start") -> str:
    """Return a line of text."""
    return text(x, y, told, f'class="{style}" text-anchor="{anchor}"')
