"""Text with a unit at the edges, SI floats inside: the only module that imports pint.

The usual spellings (``"470 uF"``, ``"2000 h"``) are looked up in a table, so that a plain run
never waits for pint to load; whatever the table does not know (``"2 days"``, ``"1 kilovolt"``)
is left to pint.
"""

from __future__ import annotations

import math
import re
import sys
from functools import cache
from typing import Any

_NUMBER = re.compile(
    r"\s*(?P<number>[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\d\s+\-].*)?\s*"
)

#: Units that files may ask for: name in messages, so that a technician is told "a voltage", not a
#: dimension formula, and an example.
_UNITS = {
    "V": ("a voltage", "24 V"),
    "A": ("a current", "300 mA"),
    "W": ("a power", "36 W"),
    "VA": ("an apparent power", "40 VA"),
    "F": ("a capacitance", "470 uF"),
    "H": ("an inductance", "10 mH"),
    "C": ("a charge", "10 mC"),
    "J": ("an energy", "1.5 J"),
    "ohm": ("a resistance", "0.3 ohm"),
    "s": ("a time", "1 s"),
    "Hz": ("a frequency", "50 Hz"),
    "%": ("a percentage", "10 %"),
    "degC": ("a temperature", "25 degC"),
    "m": ("a length", "8 mm"),
    "rpm": ("a speed of rotation", "1200 rpm"),
    "dB": ("a sound level", "45 dB"),
    "1": ("a plain number", "0.95"),
}

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"), (1e-12, "p"))

#: Nothing at a bench is smaller or larger than this, whatever its unit; zero is neither. Figures
#: are multiplied and divided by each other, and from here that stays inside what a float can hold.
_LEAST, _MOST = 1e-18, 1e18

#: Ten to this power is what the prefix stands for; both Unicode letters for micro are in use.
_POWERS = {"M": 6, "k": 3, "": 0, "m": -3, "u": -6, "\u00b5": -6, "\u03bc": -6, "n": -9, "p": -12}

#: Units that take a prefix, in every spelling.
_PREFIXED = (
    *("V", "A", "W", "VA", "F", "H", "C", "J", "s", "Hz", "m"),
    *("ohm", "\u03a9", "\u2126"),
)

#: Every usual spelling: unit and power of ten.
_USUAL = {
    **{
        f"{prefix}{symbol}": ("ohm" if symbol in "\u03a9\u2126" else symbol, power)
        for symbol in _PREFIXED
        for prefix, power in _POWERS.items()
    },
    "": ("1", 0),
    "%": ("%", -2),
    "percent": ("%", -2),
    "ppm": ("%", -6),
    "degC": ("degC", 0),
    "\u00b0C": ("degC", 0),
    "rpm": ("rpm", 0),
    "dB": ("dB", 0),
}

#: Longer times as data sheets give them, in seconds.
_TIMES = {"min": 60.0, "h": 3600.0}

#: What pint calls the units wanted, where its name is another; and what it is handed as one.
_PINT_NAMES = {"VA": "V*A", "C": "coulomb", "F": "farad", "H": "henry", "m": "meter"}
_WORDS = re.compile(r"[A-Za-z\u00b5\u03bc\u03a9\u2126\u00b0/*\u00b7]{1,24}")


class QuantityError(ValueError):
    """Text is no quantity of the unit wanted; what is wrong, and text that would be right."""

    def __init__(self, problem: str, example: str) -> None:
        super().__init__(f"{problem}; for example: {example}")
        self.problem = problem
        self.example = example


@cache
def _registry() -> Any:
    import pint  # close to half a second to import: only for unusual spellings

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def split_quantity(text: str) -> tuple[float, str]:
    """Split ``"1.5 kohm"`` into ``(1.5, "kohm")``; the unit is empty where none stands.

    Text that does not begin with a finite decimal number is a ValueError.
    """
    match = _NUMBER.fullmatch(text) if len(text) <= 100 else None
    if match is None or not math.isfinite(float(match["number"])):
        raise ValueError(text)
    return float(match["number"]), (match["unit"] or "").strip()


def parse_quantity(text: object, unit: str) -> float:
    """Read text such as ``"470 uF"`` as a float in the SI unit wanted.

    Anything but text is an error, since a bare number says nothing about its unit (except for the
    unit ``"1"``, a plain number). The unit is one of ``V A W VA F H C J ohm s Hz % degC m rpm dB
    1``; ``%`` gives a share of one: ``"10 %"`` reads as 0.1. The value is zero, or between 1e-18
    and 1e18 in size.

    Raises:
        QuantityError: No number, no unit, a unit of another dimension, or beyond these bounds.
    """
    found = _value_of(text, unit)
    if isinstance(found, str):
        example = _UNITS[unit][1]
        raise QuantityError(found, example if unit == "1" else f'"{example}"')
    return found


def unit_of(text: str) -> str | None:
    """Return the unit that a spelling such as ``"uF"`` or ``"Mohm"`` is of; None where unknown."""
    if text in _USUAL:
        return _USUAL[text][0]
    known = (unit for unit in _UNITS if _convert(1.0, text, unit) is not None)
    return next(known, None)


def parse_in(text: str, spelling: str) -> float:
    """Read what a person typed: a quantity with its unit, or a bare number in a known spelling.

    With ``"uF"`` both ``"47"`` and ``"47 uF"`` are 47e-6.

    Raises:
        QuantityError: As :func:`parse_quantity`.
    """
    unit = unit_of(spelling) or spelling
    try:
        bare = not split_quantity(text)[1]
    except ValueError:
        bare = False
    return parse_quantity(f"{text} {spelling}" if bare and unit != "1" else text, unit)


def _value_of(text: object, unit: str) -> float | str:
    """Return the value of what stands in a file, or what is wrong with it."""
    kind, plain = _UNITS[unit][0], unit == "1"
    if isinstance(text, str):
        try:
            number, given = split_quantity(text)
        except ValueError:
            return f"{shown(text)} is not {kind}"
        if not given and not plain:
            return f"{shown(text)} has no unit; expected {kind}"
        value = _convert(number, given, unit)
        if value is None:
            return f"{shown(text)} is {_kind_of(given)}; expected {kind}"
    elif isinstance(text, bool) or not isinstance(text, int | float):
        return f"expected {kind if plain else f'{kind} with its unit'}, got {shown(text)}"
    elif not plain:
        return f"the number {shown(text)} has no unit; expected {kind}"
    elif (
        not -sys.float_info.max <= text <= sys.float_info.max
    ):  # TOML also knows inf, nan and integers of any length
        return f"{shown(text)} is not {kind}"
    else:
        value = float(text)
    if not abs(value) <= _MOST:
        return f"{shown(text)} is too large"
    if 0 < abs(value) < _LEAST:
        return f"{shown(text)} is too small; if it means nothing, write 0"
    return value


def _convert(number: float, given: str, unit: str) -> float | None:
    """Return ``number given`` in ``unit``, or None where that means nothing."""
    if given in _USUAL:
        known, power = _USUAL[given]
        if known != unit:
            return None
        # Dividing by a whole power of ten rounds once: "57 %" is 0.57 to the last bit.
        scale = float(10 ** abs(power))
        return number / scale if power < 0 else number * scale
    if given in _TIMES:
        return number * _TIMES[given] if unit == "s" else None
    # Anything else is left to pint: but "50 rpm" has the dimension of a frequency, and would be
    # read as radians; decibels and counts are shares to it; and it is never handed an expression
    # to work out, so no exponent, no bracket.
    strange = unit in ("%", "1", "rpm", "dB") or (unit == "Hz" and "hertz" not in given.lower())
    if strange or not _WORDS.fullmatch(given):
        return None
    try:
        return float(_registry().Quantity(number, given).to(_PINT_NAMES.get(unit, unit)).magnitude)
    except Exception:  # noqa: BLE001 - pint raises a dozen unrelated classes for bad unit text
        return None


def _kind_of(given: str) -> str:
    """Say what a unit measures, for the message that it is the wrong one."""
    for unit, (kind, _) in _UNITS.items():
        if unit != "1" and _convert(1.0, given, unit) is not None:
            return kind
    return "in a unit that is not known here"


def shown(value: object) -> str:
    """Show a value from a file in a message: short, on one line, never a whole table."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**20:
        return "a very large whole number"
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """Show an SI value with the prefix a technician would use: ``0.00047 F`` as ``470 uF``.

    Units are those of :func:`parse_quantity`; not-a-number is shown as a dash. ``digits`` are
    significant ones, trailing zeros dropped. Nothing is shown finer than the smallest prefix, pico:
    half of that and less reads as 0.
    """
    if math.isnan(value):
        return "-"
    smallest = _PREFIXES[-1][0]
    value = 0.0 if abs(value) < 0.5 * smallest else value  # and minus zero is zero
    scale, scaled_unit = scale_of(value, unit, digits)
    figure = value / scale
    if scale == smallest and abs(figure) < 1:
        figure = round(figure)
    return f"{_plain(figure, digits)} {scaled_unit}".rstrip()


def format_limits(low: float | None, high: float | None, unit: str) -> str:
    """Show limits as ``4.9 V to 5.1 V``, ``at least 4.9 V``, ``at most 80 mV`` or ``none``.

    None or not-a-number is no limit.
    """
    given = {
        word: format_quantity(limit, unit)
        for word, limit in (("at least", low), ("at most", high))
        if limit is not None and not math.isnan(limit)
    }
    if len(given) == 2:
        return " to ".join(given.values())
    return next((f"{word} {text}" for word, text in given.items()), "none")


def format_pair(lesser: float, greater: float, unit: str, digits: int = 4) -> str:
    """Show two values in the unit that suits the second, written once: ``72/301 mJ``."""
    scale, scaled_unit = scale_of(greater, unit, digits)
    return f"{_plain(lesser / scale, digits)}/{_plain(greater / scale, digits)} {scaled_unit}"


def scale_of(value: float, unit: str, digits: int = 4) -> tuple[float, str]:
    """Return what a value is divided by to be shown, and its unit then: ``(1e-6, "uF")``.

    It is the scale of the value rounded to ``digits``: 999.96 mA in four digits are 1 A.
    """
    if unit == "1":
        return 1.0, ""
    if unit == "%":
        return 0.01, "%"
    bare = unit in ("degC", "rpm", "dB") or (unit == "s" and abs(value) >= 0.1)
    bare = bare or (unit == "Hz" and abs(value) < 1e4)  # of the mains, to the last hertz
    if bare or value == 0 or math.isinf(value):
        return 1.0, unit
    for scale, prefix in _PREFIXES:
        if abs(value) >= scale * (1 - 0.5 * 10.0**-digits):
            return scale, f"{prefix}{unit}"
    return scale, f"{prefix}{unit}"


def _plain(value: float, digits: int) -> str:
    """Show ``digits`` significant digits, without an exponent between 1 and a million."""
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e" in text and 1 <= abs(value) < 1e6 else text
