"""SCPI text, both ways: numbers, booleans, error entries (pure; no link, no clock).

Sources: SCPI-1999 volumes 1 and 2, IEEE 488.2-1992 clause 8 (responses).
"""

from __future__ import annotations

import math
from decimal import ROUND_DOWN, Decimal

from harness.quantity import shown

#: From here on a magnitude is one of the markers 9.9E37, -9.9E37, 9.91E37 (SCPI-1999 vol. 1,
#: 7.2.1): infinity, minus infinity, not-a-number. Compared with room, since digits differ.
_MARKER = 9.8e37
_NOT_A_NUMBER = (9.905e37, 9.95e37)
#: The text of an entry of the error queue is cut off here.
_ENTRY_LENGTH = 200

_STATES = {"0": False, "+0": False, "OFF": False, "1": True, "+1": True, "ON": True}


class MarkerAnswer(ValueError):
    """A marker in the place of a value: overload or not-a-number."""


class OverloadAnswer(MarkerAnswer):
    """The marker for infinity: the quantity is beyond the instrument's range."""


def number(text: str) -> float:
    """Read one numeric answer (NR1, NR2 or NR3); what is none is a ValueError.

    Raises:
        MarkerAnswer: Any of the markers, which must never be taken for a value.
    """
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{shown(text)} is not a number") from None
    marker = None if -_MARKER < value < _MARKER else marker_in(text)
    if marker is not None:
        raise marker
    # float() also takes "1_000", which no instrument may send
    if "_" in text:
        raise ValueError(f"{shown(text)} is not a number")
    return value


def marker_in(text: str) -> MarkerAnswer | None:
    """Return the error for an answer that is a marker; None where it is a value or no number."""
    try:
        value = float(text)
    except ValueError:
        return None
    low, high = _NOT_A_NUMBER
    if math.isnan(value) or low <= abs(value) < high:
        return MarkerAnswer(f"the instrument answered not-a-number ({shown(text)})")
    if abs(value) < _MARKER:
        return None
    kind = OverloadAnswer if value > 0 else MarkerAnswer
    return kind(f"the instrument answered overload ({shown(text)})")


def boolean(text: str) -> bool:
    """Read a boolean answer: ``0`` or ``1`` (SCPI-1999 vol. 1, 7.3), or ``ON`` or ``OFF``.

    Blanks around it and one pair of quotes are let pass: they change nothing. All else is a
    ValueError.
    """
    answer = _STATES.get(unquoted(text).upper())
    if answer is None:
        raise ValueError(f"{shown(text)} is neither 0 nor 1")
    return answer


def unquoted(text: str) -> str:
    """Return text without blanks around it and without one pair of quotes."""
    word = text.strip()
    if len(word) > 1 and word[0] == word[-1] and word[0] in "\"'":
        word = word[1:-1].strip()
    return word


def error_entry(text: str) -> tuple[int, str]:
    """Read an answer to ``SYST:ERR?``: ``-222,"Data out of range"`` or ``0,"No error"``.

    Code 0 says that the queue is empty; an answer without a number in front is a ValueError.
    """
    code, _, rest = text.partition(",")
    try:
        return int(code), rest.strip().strip('"')[:_ENTRY_LENGTH]
    except ValueError:
        raise ValueError(f"{shown(text)} is no entry of an error queue") from None


def split_answers(text: str, count: int, separator: str = ";") -> list[str]:
    """Split the one line that answers a compound query (IEEE 488.2, 8.4.2: joined by ``;``).

    A blank as separator stands for any number of blanks. Another number of answers than ``count``
    is a ValueError: the conversation is out of step.
    """
    answers = text.split() if separator == " " else text.split(separator)
    if len(answers) != count:
        raise ValueError(f"expected {count} answers in one line, got {len(answers)}: {shown(text)}")
    return answers


def decimal_text(value: float, decimals: int, scale: float = 1.0) -> str:
    """Write a number for the wire in counts of ``scale``, cut (never rounded up) to its decimals.

    A bound must not be passed by rounding: 26.3999 with three decimals is sent as ``26.399``.
    """
    step = Decimal(1).scaleb(-decimals)
    counts = Decimal(repr(value)) / Decimal(repr(scale))
    return str(counts.quantize(step, rounding=ROUND_DOWN))
