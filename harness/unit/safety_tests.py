"""The safety tests after repair.

They prove what the checks under power cannot: that mains does not reach what a hand can touch.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

from harness.unit.nameplate import Unit

#: The tests by the words of EN 50678; IEC 62353 says protective earth for protective conductor,
#: and leakage current for both currents.
SafetyTest = Literal[
    "protective-conductor resistance",
    "insulation resistance",
    "protective-conductor current",
    "touch current",
]


class Bound(NamedTuple):
    """What a safety test is judged by."""

    side: Literal["low", "high"]  #: the limit it must have: the other one would pass anything
    unit: str


BOUNDS: Mapping[SafetyTest, Bound] = {
    "protective-conductor resistance": Bound("high", "ohm"),
    "insulation resistance": Bound("low", "ohm"),
    "protective-conductor current": Bound("high", "A"),
    "touch current": Bound("high", "A"),
}


def has_protective_conductor(unit: Unit) -> bool:
    """Whether there is a protective conductor to test: by IEC 61140 in class I alone."""
    return unit.protection_class == "I"
