r"""The text of the record's tables: numbers and words as CSV (RFC 4180), one row a line.

Numbers are the shortest decimal text that reads back as the same double. Words may come from a
profile, an instrument or a keyboard, so they are written in a way that keeps every row on one line
and means nothing to a spreadsheet, and that reading undoes:

1. A backslash becomes two; a character that does not print becomes ``\n``, ``\r``, ``\t``,
   ``\xHH``, ``\uHHHH`` or ``\UHHHHHHHH`` (lower-case hex digits). Half a surrogate pair is no
   character, and stays in this form when it is read.
2. Text that then begins with ``= + - @`` (or their full-width forms) would be a formula to a
   spreadsheet, and gets an apostrophe in front; so does text that begins with an apostrophe.
3. Text with a comma, a quotation mark, or a space at an end is put in quotation marks, those inside
   doubled.

Source: RFC 4180, 2 (fields and quotation marks); the list of dangerous first characters is common
practice.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache

#: Columns of ``readings.csv``.
READINGS = ("time_s", "step", "level", "quantity", "value", "unit", "source")
#: Columns of ``events.csv``.
EVENTS = ("time_s", "kind", "step", "detail")
#: Columns of ``checks.csv``; from the step on, each is an attribute of a check.
CHECKS = (
    *("run_id", "serial", "step", "check", "quantity", "value", "unit"),
    *("low", "high", "uncertainty", "rule", "verdict", "margin"),
)
#: Columns of ``budgets.csv``: one row a contribution to a check's uncertainty.
BUDGETS = (
    *("run_id", "step", "check", "contribution", "distribution"),
    *("standard", "unit", "dof", "sensitivity", "share"),
)
#: Columns that hold numbers (float64); all others hold text (str).
NUMBERS = frozenset(
    {
        *("time_s", "value", "low", "high", "uncertainty", "margin"),
        *("standard", "dof", "sensitivity", "share"),
    }
)

_FORMULA = frozenset("=+-@＝＋－＠'")  # noqa: RUF001 - the full-width forms are meant
_QUOTED = re.compile(r'[,"]|^ | $')
_ESCAPED = re.compile(r"\\(\\|t|n|r|x[0-9a-f]{2}|u(?!d[89a-f])[0-9a-f]{4}|U[0-9a-f]{8})")
#: A number and a text as they stand in a field; what does not print, or was no UTF-8, is neither.
_NUMBER_FIELD = r"(?:nan|-?(?:inf|\d+(?:\.\d+)?(?:e[+-]\d+)?))?+"
_TEXT_FIELD = r'(?:"(?:[^"\x00-\x1f\udc80-\udcff]|"")*+"|[^",\x00-\x1f\udc80-\udcff]*+)'
_SHORT = {"\t": "\\t", "\n": "\\n", "\r": "\\r"}
_LONG = {"\\": "\\", **{short[1]: character for character, short in _SHORT.items()}}


def header(columns: Iterable[str]) -> str:
    """Return the first line of a table, with its line end."""
    return ",".join(columns) + "\n"


def number(value: float | None) -> str:
    """Return a number as full-precision decimal text; None is an empty field."""
    return "" if value is None else repr(float(value))


def printable(text: str) -> str:
    """Return text with every character that does not print escaped, for a reader's eyes."""
    return text if text.isprintable() else "".join(map(_escaped, text))


def word(text: str) -> str:
    """Return text as a field of a table; see the rules at the head of this module."""
    text = printable(text.replace("\\", "\\\\"))
    if text and text[0] in _FORMULA:
        text = f"'{text}"
    if _QUOTED.search(text):
        text = '"' + text.replace('"', '""') + '"'
    return text


@lru_cache(maxsize=1024)
def label(text: str) -> str:
    """Return :func:`word` of a text that comes with every sample: looked up, not made anew."""
    return word(text)


def word_back(field: str) -> str:
    """Undo rules 1 and 2 of :func:`word`; a CSV reader has undone rule 3 already."""
    field = field.removeprefix("'")
    return _ESCAPED.sub(_character, field) if "\\" in field else field


def sound_text(content: bytes, columns: Sequence[str]) -> tuple[str, list[str]]:
    """Return the lines of a table that are right in every field, and say what is wrong with it.

    Args:
        content: The file's bytes, whatever they are.
        columns: The columns it should have.

    Returns:
        Header and lines, each with its line end; and each problem, in words that follow the file's
        name.
    """
    first, text = header(columns), content.decode(errors="surrogateescape")
    if not text.startswith(first):
        half = first.startswith(text)
        return first, ["it breaks off in its first line" if half else "it is no such table"]
    problems = []
    if not text.endswith("\n"):
        problems.append("its last line is half written and left out")
        text = text[: text.rindex("\n") + 1]
    line = ",".join(_NUMBER_FIELD if name in NUMBERS else _TEXT_FIELD for name in columns)
    if re.compile(f"(?:{line}\n)*+").fullmatch(text, len(first)):
        return text, problems
    is_sound = re.compile(line).fullmatch
    _, *lines, _ = text.split("\n")
    damaged = [number for number, each in enumerate(lines, start=2) if not is_sound(each)]
    count = "1 line is" if len(damaged) == 1 else f"{len(damaged)} lines are"
    problems.append(f"{count} damaged and left out, the first is line {damaged[0]}")
    return first + "".join(f"{each}\n" for each in lines if is_sound(each)), problems


def _escaped(character: str) -> str:
    if character in _SHORT:
        return _SHORT[character]
    if character.isprintable():
        return character
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _character(match: re.Match[str]) -> str:
    text = match[1]
    if text in _LONG:
        return _LONG[text]
    code = int(text[1:], 16)
    return chr(code) if code <= 0x10FFFF else match[0]
