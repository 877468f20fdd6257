"""Lines of a dialect that fit an answer as it came: what a technician would write (pure)."""

from __future__ import annotations

import re
from typing import NamedTuple

from harness.bench.scpi import unquoted
from harness.files.text_file import quoted

#: A number that is no part of a word: not the 1 of ``V1``, but the 12.0 of ``12.0V``.
NUMBER = re.compile(r"(?<![\w.+-])[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?(?![\d.]|[eE][+-]?\d)")
#: A state that is no part of a word or number (SCPI-1999 vol. 1, 7.3).
STATE = re.compile(r"(?<![\w.+-])(?:ON|OFF|[+]?[01])(?![\w.])", re.IGNORECASE)
_WORD = re.compile(r"[A-Za-z][A-Za-z_ -]{0,30}")
#: What parts values in one answer, as a rule.
_SEPARATORS = (";", ",", " ")
_MOST_PARTS, _LARGEST_REGISTER = 20, 0xFFFF


class AnswerLine(NamedTuple):
    """One way to take an answer apart."""

    operation: str
    form: str  # as it stands behind the ``=``
    takes: str  # what it takes for the value

    @property
    def line(self) -> str:
        """As it stands under ``[answers]``."""
        return f"{self.operation} = {self.form}"


def answer_lines(operation: str, answer: str, *, state: bool) -> tuple[AnswerLine, ...]:
    """Return the ways to take a value from an answer, one of which is right; none at a loss.

    Where there is more than one, only the manual knows which.
    """
    text = answer.strip()
    if not text.isascii() or not text.isprintable() or "{value}" in text:
        return ()
    around = _around(text, STATE if state else NUMBER)
    if around is not None:
        return (AnswerLine(operation, quoted(around[0]), around[1]),)
    return _states(operation, text) if state else _parts(operation, text)


def _around(text: str, pattern: re.Pattern[str]) -> tuple[str, str] | None:
    """Return what stands around the one value in a text, and the value."""
    found = list(pattern.finditer(text))
    if len(found) != 1:
        return None
    start, end = found[0].span()
    return text[:start] + "{value}" + text[end:], found[0][0]


def _parts(operation: str, text: str) -> tuple[AnswerLine, ...]:
    for separator in _SEPARATORS:
        parts = text.split() if separator == " " else text.split(separator)
        if not 1 < len(parts) <= _MOST_PARTS:
            continue
        lines = []
        for number, part in enumerate(parts, 1):
            around = _around(part.strip(), NUMBER)
            if around is None:
                continue
            form = f'separator = "{separator}", part = {number}, parts = {len(parts)}'
            form += f", text = {quoted(around[0])}" if around[0] != "{value}" else ""
            lines.append(AnswerLine(operation, f"{{ {form} }}", around[1]))
        return tuple(lines)
    return ()


def _states(operation: str, text: str) -> tuple[AnswerLine, ...]:
    word = unquoted(text)
    if word.isdecimal() and 1 < int(word) <= _LARGEST_REGISTER:
        weights = (1 << bit for bit in range(16))
        return tuple(
            AnswerLine(operation, f"{{ mask = {weight} }}", f"where bit {weight} is on")
            for weight in weights
            if int(word) & weight
        )
    if not _WORD.fullmatch(word):
        return ()
    return tuple(
        AnswerLine(
            operation, f"{{ words = {{ {quoted(word)} = {means} }} }}", f"where {word} means {says}"
        )
        for means, says in ((0, "off"), (1, "on"))
    )
