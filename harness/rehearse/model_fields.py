"""Field types that only a unit model needs: kelvins, and how bad a fault is."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from harness.files.field_types import Fraction, mistaken
from harness.quantity import parse_quantity, shown, split_quantity
from harness.rehearse.faults import FAULTS
from harness.rehearse.severity import SEVERITIES, Severity

__all__ = ["Kelvins", "Tolerance", "WattsPerKelvin", "read_severity"]


def _beta(text: object) -> float:
    """Read the B constant of a thermistor, in kelvin."""
    example = '"3000 K"'
    number = _number(text, ("K",), "a B constant in kelvin", example)
    if not 100.0 <= number <= 1e5:
        raise mistaken(f"{shown(text)} is no B constant of a thermistor", example)
    return number


def _dissipation(text: object) -> float:
    """Read a dissipation factor, in watts a kelvin."""
    example = '"15 mW/K"'
    if not isinstance(text, str) or not text.rstrip().endswith("/K"):
        raise mistaken(f"{shown(text)} is no dissipation factor in mW/K", example)
    number = _number(text, ("W/K", "mW/K"), "a dissipation factor", example)
    watts = number * (1e-3 if "mW" in text else 1.0)
    if not 1e-5 <= watts <= 100.0:
        raise mistaken(f"{shown(text)} is no dissipation factor of a thermistor", example)
    return watts


def _number(text: object, units: tuple[str, ...], what: str, example: str) -> float:
    if not isinstance(text, str):
        raise mistaken(f"expected {what} with its unit, got {shown(text)}", example)
    try:
        number, unit = split_quantity(text)
    except ValueError:
        raise mistaken(f"{shown(text)} is not {what}", example) from None
    if unit not in units:
        raise mistaken(f"{shown(text)} is not in {' or '.join(units)}", example)
    return number


def _tolerance(value: float) -> float:
    if value >= 1.0:
        raise mistaken("a tolerance stays below 100 %", '"20 %"')
    return value


#: The B constant of a thermistor.
Kelvins = Annotated[float, BeforeValidator(_beta), Field(examples=['"3000 K"'])]
#: A dissipation factor.
WattsPerKelvin = Annotated[float, BeforeValidator(_dissipation), Field(examples=['"15 mW/K"'])]
#: How far a value may be from the one printed, up and down.
Tolerance = Annotated[Fraction, AfterValidator(_tolerance), Field(examples=['"20 %"'])]


def read_severity(value: object, kind: str) -> float | str:
    """Read how bad a fault is: a word, or a quantity in the fault's own unit.

    A share of one may be written as a plain number or as a percentage.

    Args:
        value: What stands in the file.
        kind: Name of the fault; must be known.

    Raises:
        PydanticCustomError: The fault cannot be that bad.
    """
    degree = FAULTS[kind].degree
    if degree is None:
        raise mistaken(f"{kind} is there or it is not: it has no severity; leave the key out")
    example = _example(degree)
    if isinstance(value, str) and value in SEVERITIES:
        return value
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    try:
        number = parse_quantity(value, "1" if plain and degree.unit == "%" else degree.unit)
        return degree.number(number)
    except ValueError as error:
        problem = getattr(error, "problem", str(error))
        raise mistaken(f"{problem}; here it is {degree.what}", example) from None


def _example(degree: Severity) -> str:
    if degree.unit == "1":
        return f"{degree.usual:g}"
    if degree.unit == "%":
        return f'"{100.0 * degree.usual:g} %"'
    return f'"{degree.usual:g} {degree.unit}"'
