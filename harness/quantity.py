"""Text with a unit at the edges, SI floats inside: the only module that imports pint."""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

__all__ = ["QuantityError", "format_quantity", "parse_quantity", "split_quantity"]

_NUMBER = re.compile(
    r"\s*(?P<number>[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\d\s+\-].*)?\s*"
)

#: An example for each unit that files may ask for, shown in messages.
_EXAMPLES = {
    "V": "24 V",
    "A": "300 mA",
    "W": "36 W",
    "VA": "40 VA",
    "F": "470 uF",
    "C": "10 mC",
    "J": "1.5 J",
    "ohm": "0.3 ohm",
    "s": "1 s",
    "Hz": "50 Hz",
    "%": "10 %",
    "degC": "25 degC",
    "1": "0.95",
}

#: Names in messages, so that a technician is told "a voltage", not a dimension formula.
_KINDS = {
    "V": "a voltage",
    "A": "a current",
    "W": "a power",
    "VA": "an apparent power",
    "F": "a capacitance",
    "C": "a charge",
    "J": "an energy",
    "ohm": "a resistance",
    "s": "a time",
    "Hz": "a frequency",
    "%": "a share",
    "degC": "a temperature",
    "1": "a plain number",
}

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"), (1e-12, "p"))


class QuantityError(ValueError):
    """Text is no quantity of the unit wanted.

    Attributes:
        problem: What is wrong with it.
        example: Text that would be right.
    """

    def __init__(self, problem: str, example: str) -> None:
        super().__init__(f"{problem}; for example: {example}")
        self.problem = problem
        self.example = example


@cache
def _registry() -> Any:
    import pint  # 0.17 s to import: only where text is read

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def split_quantity(text: str) -> tuple[float, str]:
    """Split ``"1.5 kohm"`` into ``(1.5, "kohm")``; the unit is empty where none stands.

    Raises:
        ValueError: The text does not begin with a finite decimal number.
    """
    match = _NUMBER.fullmatch(text) if len(text) <= 100 else None
    if match is None or not math.isfinite(float(match["number"])):
        raise ValueError(text)
    return float(match["number"]), (match["unit"] or "").strip()


@cache
def _factor(unit: str, wanted: str) -> float:
    """Return what one ``unit`` is in ``wanted``; raises whatever pint raises."""
    registry = _registry()
    return float(registry.Quantity(1.0, unit).to(wanted).magnitude)


def parse_quantity(text: object, unit: str) -> float:
    """Read text such as ``"470 uF"`` as a float in the SI unit wanted.

    Args:
        text: What stands in the file; anything but text is an error, since a bare number says
            nothing about its unit (except for the unit ``"1"``, a plain number).
        unit: The unit wanted: one of ``V A W VA F C J ohm s Hz % degC 1``. ``%`` gives a share of
            one: ``"10 %"`` reads as 0.1.

    Returns:
        The finite value in the unit (a fraction for ``%``).

    Raises:
        QuantityError: No number, no unit, a unit of another dimension, or not finite.
    """
    kind, example = _KINDS[unit], _EXAMPLES[unit]
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise QuantityError(f"expected {kind} with its unit, got {_shown(text)}", f'"{example}"')
    if not isinstance(text, str):
        if unit == "1" and math.isfinite(text):
            return float(text)
        raise QuantityError(f"the number {text} has no unit; expected {kind}", f'"{example}"')
    try:
        number, given = split_quantity(text)
    except ValueError:
        raise QuantityError(f"{_shown(text)} is not {kind}", f'"{example}"') from None
    if not given:
        if unit == "1":
            return number
        raise QuantityError(f"{_shown(text)} has no unit; expected {kind}", f'"{example}"')
    value = _convert(number, given, unit)
    if value is None:
        raise QuantityError(f"{_shown(text)} is not {kind}", f'"{example}"')
    return value


def _convert(number: float, given: str, unit: str) -> float | None:
    """Return ``number given`` in ``unit``, or None where that means nothing."""
    if not re.fullmatch(r"[A-Za-zµμΩΩ°%/*·]{1,24}", given):
        return None  # no exponent, no bracket: pint is never handed an expression to work out
    wanted = {"%": "", "1": "", "VA": "V*A", "C": "coulomb", "F": "farad"}.get(unit, unit)
    try:
        if unit == "degC":
            value = float(_registry().Quantity(number, given).to("degC").magnitude)
        else:
            value = number * _factor(given, wanted)
    except Exception:  # noqa: BLE001 - pint raises a dozen unrelated classes for bad unit text
        return None
    return value if math.isfinite(value) else None


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """Show an SI value with the prefix a technician would use: ``0.00047 F`` as ``470 uF``.

    Args:
        value: The value in ``unit``; not-a-number is shown as a dash.
        unit: As for :func:`parse_quantity`; ``%`` takes a share of one.
        digits: Significant digits, trailing zeros dropped.
    """
    if math.isnan(value):
        return "-"
    if unit == "1":
        return f"{value:.{digits}g}"
    if unit in ("%", "degC", "s", "Hz") or value == 0:
        shown = value * 100 if unit == "%" else value
        if unit == "s" and 0 < abs(shown) < 0.1:
            return _prefixed(value, unit, digits)
        return f"{_plain(shown, digits)} {unit}"
    return _prefixed(value, unit, digits)


def _prefixed(value: float, unit: str, digits: int) -> str:
    if math.isinf(value):
        return f"{value} {unit}"
    for scale, prefix in _PREFIXES:
        if abs(value) >= scale * (1 - 0.5 * 10.0**-digits):
            return f"{_plain(value / scale, digits)} {prefix}{unit}"
    scale, prefix = _PREFIXES[-1]
    return f"{_plain(value / scale, digits)} {prefix}{unit}"


def _plain(value: float, digits: int) -> str:
    """Show ``digits`` significant digits without an exponent below a million."""
    text = f"{value:.{digits}g}"
    if "e" in text and abs(value) < 1e6:
        text = f"{value:.0f}"
    return text
