"""How a draft is written: aligned keys, a comment behind each, quantities as people write them."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass

from harness.quantity import format_quantity

__all__ = ["Line", "down", "header", "quantity", "quoted", "table", "tidy"]

#: Width of a comment, its mark left aside.
_WIDTH = 76


@dataclass(frozen=True, slots=True)
class Line:
    """One key of a table.

    Attributes:
        key: The key.
        value: Its value as it stands in TOML.
        comment: What it means, or empty.
        left_out: It is not known: the line is written as a comment, for the user to complete.
    """

    key: str
    value: str
    comment: str = ""
    left_out: bool = False


def quoted(text: str) -> str:
    """Return text as a TOML string; what JSON escapes, TOML escapes alike."""
    return json.dumps(text, ensure_ascii=False)


def quantity(value: float, unit: str) -> str:
    """Return a quantity as a TOML string, in four significant digits.

    Args:
        value: The value in ``unit``.
        unit: As for :func:`harness.quantity.format_quantity`.
    """
    return quoted(format_quantity(value, unit))


def tidy(value: float, digits: int = 4) -> float:
    """Return a value as :func:`quantity` writes it, so that what is derived from it fits."""
    return float(f"{value:.{digits}g}")


def down(value: float, digits: int = 4) -> float:
    """Return a value cut to significant digits, never above it: for a bound that may not rise."""
    scale = 10.0 ** (digits - 1 - math.floor(math.log10(value)))
    return tidy(math.floor(value * scale * (1 + 1e-12)) / scale, digits)


def header(*texts: str) -> str:
    """Return texts as comments that fit a terminal, each line wrapped; an empty one separates."""
    paragraphs = "\n".join(texts).split("\n")
    lines = [line for text in paragraphs for line in textwrap.wrap(text, _WIDTH) or [""]]
    return "".join(f"# {line}\n" if line else "#\n" for line in lines)


def table(name: str, lines: Iterable[Line], *above: str) -> str:
    """Return a table with its keys aligned.

    Args:
        name: What stands in front: ``[unit]``, ``[[steps]]``; empty for the top of the file.
        lines: Its keys.
        above: Paragraphs of comment above it.
    """
    shown = list(lines)
    width = max((len(line.key) for line in shown), default=0)
    longest = max((len(line.value) for line in shown if len(line.value) <= 24), default=0)
    text = (header(*above) if above else "") + (f"{name}\n" if name else "")
    for line in shown:
        body = f"{line.key:{width}} = {line.value}"
        if line.comment:
            column = width + 3 + longest - 2 * line.left_out  # its own mark takes two
            body = f"{body:{column}}  # {line.comment}"
        text += f"# {body}\n" if line.left_out else f"{body}\n"
    return text
