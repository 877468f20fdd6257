"""The safety tests after repair: which of them a unit needs before it may be released.

They prove what the checks under power cannot: that mains does not reach what a hand can touch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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


#: Input voltage up to which a unit is fed with extra-low voltage.
#: Source: IEC 61140 and IEC 60449, band I: 50 V AC, 120 V ripple-free DC (from memory).
EXTRA_LOW_V: Mapping[str, float] = {"ac": 50.0, "dc": 120.0}


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


def is_mains_unit(unit: Unit) -> bool:
    """Whether a unit is fed with more than extra-low voltage, DC or AC (rms)."""
    return unit.input.nominal_v > EXTRA_LOW_V[unit.input.kind]


def has_protective_conductor(unit: Unit) -> bool:
    """Whether there is a protective conductor to test: by IEC 61140 in class I alone."""
    return unit.protection_class == "I"


def needed_tests(unit: Unit) -> tuple[tuple[SafetyTest, ...], ...]:
    """Return the safety tests a release needs; of each tuple one is enough.

    Nothing is needed of a unit that is fed with extra-low voltage. The tests are those after repair
    of EN 50678 (from memory).
    """
    if not is_mains_unit(unit):
        return ()
    if has_protective_conductor(unit):
        return (
            ("protective-conductor resistance",),
            ("insulation resistance",),
            ("protective-conductor current", "touch current"),
        )
    return (("insulation resistance",), ("touch current",))


def missing_tests(unit: Unit, made: Iterable[SafetyTest]) -> tuple[str, ...]:
    """Return the safety tests that a unit needs beside those made, in words."""
    there = set(made)
    return tuple(" or ".join(any_of) for any_of in needed_tests(unit) if not there & {*any_of})
