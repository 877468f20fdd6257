"""Field types for files: text with a unit in, SI float out, one type a dimension."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError

from harness.quantity import QuantityError, parse_quantity

__all__ = [
    "Amps",
    "Celsius",
    "Farads",
    "Fraction",
    "Hertz",
    "Ohms",
    "Seconds",
    "Table",
    "Volts",
    "Watts",
]


class Table(BaseModel):
    """A table of a file: frozen, unknown keys refused, keys named as in the file."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _quantity(unit: str, *, positive: bool = True) -> Any:
    """Return a validator that reads text in ``unit``; ``positive`` refuses zero and below."""

    def read(text: object) -> float:
        try:
            value = parse_quantity(text, unit)
        except QuantityError as error:
            raise PydanticCustomError(
                "quantity",
                "{problem}",
                {"problem": error.problem, "example": error.example},
            ) from None
        if positive and value <= 0:
            raise PydanticCustomError("quantity", "{problem}", {"problem": f"{text} is not above zero"})
        return value

    return BeforeValidator(read)


Volts = Annotated[float, _quantity("V")]
Amps = Annotated[float, _quantity("A")]
Watts = Annotated[float, _quantity("W")]
Farads = Annotated[float, _quantity("F")]
Ohms = Annotated[float, _quantity("ohm")]
Seconds = Annotated[float, _quantity("s")]
Hertz = Annotated[float, _quantity("Hz")]
Celsius = Annotated[float, _quantity("degC", positive=False)]
#: A share of one, written as a percentage: ``"10 %"`` reads as 0.1.
Fraction = Annotated[float, _quantity("%")]
