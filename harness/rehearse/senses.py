"""What a person at the bench sees and feels of a unit without an instrument, and overlooks.

Which sense a question is about, its words say, as they do to a person. What there is to see or feel
follows from the unit's parts; whether it is noticed, from two laws that are assumptions.
"""

from __future__ import annotations

import math
import random
import re
from typing import Literal

from harness.rehearse.laws import Laws
from harness.rehearse.unit_model import UnitModel

Sense = Literal["fan by hand", "air", "damage"]

_FAN = re.compile(r"\b(fan|fans|blower|impeller)\b", re.IGNORECASE)
_BY_HAND = re.compile(r"\b(by hand|freely|finger)\b", re.IGNORECASE)
_RUNS = re.compile(r"\b(run|runs|running|blows|turns)\b", re.IGNORECASE)
_SERIES = re.compile(r"\b(series resistance|ESR)\b", re.IGNORECASE)
_BULK = re.compile(r"\bbulk capacitor\b", re.IGNORECASE)
_AIR = re.compile(r"\b(air|airflow|draught)\b", re.IGNORECASE)


def sense_of(question: str) -> Sense:
    """Return which sense a question asks for; by itself it is a look at what is damaged."""
    if _FAN.search(question) and _BY_HAND.search(question):
        return "fan by hand"
    if _AIR.search(question) or (_FAN.search(question) and _RUNS.search(question)):
        return "air"
    return "damage"


def is_about_cooling(question: str) -> bool:
    """Whether a question is about the fan or its air."""
    return sense_of(question) != "damage"


def is_about_bulk_resistance(question: str) -> bool:
    """Whether a question is about the series resistance of the bulk capacitor, by a tester."""
    return bool(_SERIES.search(question) and _BULK.search(question))


def sign_of(model: UnitModel, question: str, laws: Laws) -> str:
    """Return what there is to notice that speaks for a no, in a few words; empty for nothing.

    A varistor that failed short is charred. A bearing that sticks is felt by hand, without power; a
    dead motor turns by hand. Air counts as missing below a share of the usual amount.
    """
    match sense_of(question):
        case "fan by hand":
            return "the fan does not turn freely" if model.case.fan_sticks else ""
        case "air":
            return "hardly any air is felt" if model.case.air_frac < laws.felt_air else ""
        case "damage":
            charred = model.varistor is None and math.isfinite(model.defects.input_short_ohm)
            return "the varistor is charred" if charred else ""


def answer(model: UnitModel, question: str, laws: Laws, rng: random.Random) -> tuple[bool, str]:
    """Return what a person answers, and the note: no where they noticed something.

    Nobody sees what is not there.
    """
    sign = sign_of(model, question, laws)
    if sign and rng.random() >= laws.overlooked:
        return False, f"simulated: {sign}"
    return True, "simulated"
