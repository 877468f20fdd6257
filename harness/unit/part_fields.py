"""Field types that only parts need: energies, surges, melting integrals, a line of story."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from harness.files.field_types import mistaken
from harness.quantity import QuantityError, format_quantity, parse_quantity, shown, split_quantity

__all__ = ["Joules", "MeltingIntegral", "Story", "SurgeAmps", "shown_figure"]

#: Spellings of ampere squared second; ``A\u00b2s`` has the superscript.
_A2S = frozenset({"A2s", "A^2s", "A\u00b2s", "A^2 s", "A2 s", "A\u00b2 s"})

#: The least and the most a file may ask for: far beyond any fuse of a repair bench.
_LEAST_A2S, _MOST_A2S = 1e-9, 1e9


def _up_to(most: float, unit: str, example: str) -> Any:
    """Return the parts of a field type: above zero, and no more than any part or supply has."""

    def read(text: object) -> float:
        try:
            value = parse_quantity(text, unit)
        except QuantityError as error:
            raise mistaken(error.problem, example) from None
        if value <= 0.0:
            raise mistaken(f"{shown(text)} is not above zero", example)
        if value > most:
            ceiling = format_quantity(most, unit)
            raise mistaken(f"{shown(text)} is more than {ceiling}, the most that can be given")
        return value

    return BeforeValidator(read), Field(examples=[example])


def _melting_integral(text: object) -> float:
    example = '"60 A2s"'
    if not isinstance(text, str):
        raise mistaken(f"expected a melting integral with its unit, got {shown(text)}", example)
    try:
        value, unit = split_quantity(text)
    except ValueError:
        raise mistaken(f"{shown(text)} is not a melting integral", example) from None
    if unit not in _A2S:
        raise mistaken(f"{shown(text)} is not in A2s", example)
    if not _LEAST_A2S <= value <= _MOST_A2S:
        raise mistaken(f"{shown(text)} is no melting integral of a fuse", example)
    return value


def _story(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise mistaken(f"expected text, got {shown(value)}")
    if not value.isprintable() or len(value) > 500:
        raise mistaken("expected one line of at most 500 printable characters")
    return value


#: Energy of a single pulse.
Joules = Annotated[float, *_up_to(1e6, "J", '"42 J"')]
#: A current that flows for a moment: surge, short circuit, breaking capacity.
SurgeAmps = Annotated[float, *_up_to(1e6, "A", '"4500 A"')]
#: Integral of current squared, in A^2 s.
MeltingIntegral = Annotated[float, BeforeValidator(_melting_integral), Field(examples=['"60 A2s"'])]
#: One line of text, longer than a name.
Story = Annotated[
    str, BeforeValidator(_story), Field(examples=['"a visitor\'s lead put 230 V on it"'])
]


def shown_figure(value: float, unit: str, digits: int = 3) -> str:
    """Show a figure of a part; ``A2s`` takes no prefix, since 200 mA2s could be read two ways.

    Args:
        value: The figure in ``unit``.
        unit: As for :func:`harness.quantity.format_quantity`, or ``A2s``.
        digits: Significant digits.
    """
    if unit != "A2s":
        return format_quantity(value, unit, digits)
    if value < 10.0**4:
        return f"{value:.{digits}g} A2s" if value < 1000 else f"{value:.0f} A2s"
    mantissa, _, exponent = f"{value:.1e}".partition("e")
    return f"{mantissa}e{int(exponent)} A2s"
