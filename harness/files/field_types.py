"""Field types for files: text with a unit in, SI float out, one type a dimension."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from harness.quantity import QuantityError, format_quantity, parse_quantity, shown, split_quantity

#: The most of each unit that a file may ask for: far beyond any repair bench, so that a slip
#: such as MV for mV is told at once, and small enough that no product of two overflows.
_MOST = {"V": 1e5, "A": 1e4, "W": 1e7, "F": 1e3, "ohm": 1e13, "s": 1e6, "Hz": 1e6}
_MOST |= {"%": 10.0, "degC": 2000.0, "1": 1e6, "H": 1e3, "C": 1e6, "J": 1e6, "VA": 1e7}
_MOST |= {"m": 100.0, "rpm": 1e6, "dB": 200.0}

#: Endings of field names that are units, and no part of a key.
_UNIT_ENDING = re.compile("_(?:w_per_k|a2s|degc|frac|ohm|hz|[afjksvw])$")

#: Other spellings of units that only :func:`figure_field` reads; ``A\u00b2s`` has the superscript.
_SPELLINGS = dict.fromkeys(("A^2s", "A\u00b2s", "A^2 s", "A2 s", "A\u00b2 s"), "A2s")


def key_of(field: str) -> str:
    """Return the key in a file of a field: its name without the unit, ``dwell`` of ``dwell_s``."""
    return _UNIT_ENDING.sub("", field)


class Table(BaseModel):
    """A table of a file: frozen, unknown keys refused; a field's key is :func:`key_of` its name."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, alias_generator=key_of
    )


def mistaken(problem: str, example: str = "") -> PydanticCustomError:
    """Return the error that a validator raises: problem and example of a :class:`ConfigError`."""
    return PydanticCustomError("mistake", "{problem}", {"problem": problem, "example": example})


def problem_of(error: PydanticCustomError) -> str:
    """Return the problem of an error that :func:`mistaken` made."""
    return str((error.context or {}).get("problem", ""))


def read_quantity(text: object, unit: str, most: float | None = None) -> float:
    """Read a quantity of a file; ``most`` is left out for the usual of its unit.

    Raises:
        PydanticCustomError: It is no such quantity, or larger than any bench.
    """
    try:
        value = parse_quantity(text, unit)
    except QuantityError as error:
        raise mistaken(error.problem, error.example) from None
    most = most or _MOST[unit]
    if abs(value) > most:
        ceiling = format_quantity(most, unit)
        raise mistaken(f"{shown(text)} is more than {ceiling}, the most that can be asked for")
    return value


def quantity_field(
    unit: str, example: str, *, zero: bool = False, most: float | None = None
) -> Any:
    """Return the parts of a field type that reads text in ``unit``, above zero or from zero on."""

    def read(text: object) -> float:
        value = read_quantity(text, unit, most)
        if value < 0 or (value == 0 and not zero):
            raise mistaken(f"{shown(text)} is {'below' if zero else 'not above'} zero", example)
        return value

    return BeforeValidator(read), Field(examples=[example])


def figure_field(
    what: str, units: Mapping[str, float], least: float, most: float, example: str, *, outside: str
) -> Any:
    """Return the parts of a field type that reads ``what``, in units that no quantity has.

    Each unit has its factor; ``outside`` says what a figure beyond the bounds is.
    """

    def read(text: object) -> float:
        if not isinstance(text, str):
            raise mistaken(f"expected {what} with its unit, got {shown(text)}", example)
        try:
            number, unit = split_quantity(text)
        except ValueError:
            raise mistaken(f"{shown(text)} is not {what}", example) from None
        factor = units.get(_SPELLINGS.get(unit, unit))
        if factor is None:
            raise mistaken(f"{shown(text)} is not in {' or '.join(units)}", example)
        if not least <= number * factor <= most:
            raise mistaken(f"{shown(text)} is {outside}", example)
        return number * factor

    return BeforeValidator(read), Field(examples=[example])


def read_line(value: object, most: int = 100) -> str:
    """Read one line of printable text that is not blank, or raise what :func:`mistaken` makes."""
    if not isinstance(value, str):
        raise mistaken(f"expected text, got {shown(value)}")
    if not value.strip():
        raise mistaken("expected text, found none")
    if not value.isprintable() or len(value) > most:
        raise mistaken(f"expected one line of at most {most} printable characters")
    return value


def bounded(
    unit: str, problem: str, example: str, *, least: float = 0.0, most: float = math.inf
) -> AfterValidator:
    """Return a field type's validator for one bound; ``problem`` has ``{}`` in the bound's place.

    ``most`` is the bound where it is given, else ``least``.
    """
    bound = least if most == math.inf else most

    def check(value: float) -> float:
        if not least <= value <= most:
            raise mistaken(problem.format(format_quantity(bound, unit)), example)
        return value

    return AfterValidator(check)


def _number(value: object) -> float:
    if isinstance(value, str):
        raise mistaken(f"expected a plain number without quotes, got {shown(value)}", "2.5")
    return read_quantity(value, "1")


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise mistaken(f"expected true or false without quotes, got {shown(value)}", "true")
    return value


Volts = Annotated[float, *quantity_field("V", '"24 V"')]
Amps = Annotated[float, *quantity_field("A", '"300 mA"')]
AmpsOrZero = Annotated[float, *quantity_field("A", '"1.25 A"', zero=True)]
Watts = Annotated[float, *quantity_field("W", '"36 W"')]
WattsOrZero = Annotated[float, *quantity_field("W", '"30 W"', zero=True)]
Coulombs = Annotated[float, *quantity_field("C", '"0.5 Ah"')]
Farads = Annotated[float, *quantity_field("F", '"470 uF"')]
Ohms = Annotated[float, *quantity_field("ohm", '"0.3 ohm"')]
Seconds = Annotated[float, *quantity_field("s", '"1 s"')]
SecondsOrZero = Annotated[float, *quantity_field("s", '"0 s"', zero=True)]
Hertz = Annotated[float, *quantity_field("Hz", '"50 Hz"')]
Celsius = Annotated[float, BeforeValidator(lambda text: read_quantity(text, "degC"))]
#: A share of one, written as a percentage: ``"10 %"`` reads as 0.1.
Fraction = Annotated[float, *quantity_field("%", '"10 %"')]
FractionOrZero = Annotated[float, *quantity_field("%", '"10 %"', zero=True)]
#: A plain number, written without quotes.
Number = Annotated[float, BeforeValidator(_number)]
#: ``true`` or ``false``, written without quotes.
Flag = Annotated[bool, BeforeValidator(_flag)]
#: One line of printable text that is not blank.
Name = Annotated[str, BeforeValidator(read_line)]
