r"""The text of the record's tables: numbers and words as CSV (RFC 4180), one row a line.

Numbers are the shortest decimal text that reads back as the same double. Words may come from a
profile, an instrument or a keyboard. Three rules keep a row on its line and away from a
spreadsheet's formulas, and reading undoes them:

1. A backslash becomes two; a character that does not print becomes ``\n``, ``\r``, ``\t``,
   ``\xHH``, ``\uHHHH`` or ``\UHHHHHHHH``. Half a surrogate pair stays so when it is read.
2. Text that then begins with ``= + - @`` (or their full-width forms) or an apostrophe gets an
   apostrophe in front.
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
_ESCAPED = re.compile(
    r"\\(?:[\\tnr]|x[0-9a-f]{2}|u(?!d[89a-f])[0-9a-f]{4}|U00(?:0[0-9a-f]|10)[0-9a-f]{4})"
)
#: A number and a text as they stand in a field; what does not print, or was no UTF-8, is neither.
_NUMBER_FIELD = r"(?:nan|-?(?:inf|\d+(?:\.\d+)?(?:e[+-]\d+)?))?+"
_TEXT_FIELD = r'(?:"(?:[^"\x00-\x1f\udc80-\udcff]|"")*+"|[^",\x00-\x1f\udc80-\udcff]*+)'


def header(columns: Iterable[str]) -> str:
    """Return the first line of a table, with its line end."""
    return ",".join(columns) + "\n"


def number(value: float | None) -> str:
    """Return a number as full-precision decimal text; None is an empty field."""
    return "" if value is None else repr(float(value))


def printable(text: str) -> str:
    """Return text with every character that does not print escaped, for a reader's eyes."""
    if text.isprintable():
        return text
    return "".join(
        each if each.isprintable() else each.encode("unicode_escape").decode() for each in text
    )


def word(text: str) -> str:
    """Return text as a field of a table; see the rules at the head of this module."""
    text = printable(text.replace("\\", "\\\\"))
    if text and text[0] in _FORMULA:
        text = f"'{text}"
    if _QUOTED.search(text):
        text = '"' + text.replace('"', '""') + '"'
    return text


#: :func:`word` of a text that comes with every sample: looked up, not worked out again.
label = lru_cache(maxsize=1024)(word)


def table_csv(columns: Iterable[str], rows: Iterable[Iterable[str | float | None]]) -> bytes:
    """Return a whole table."""
    lines = [
        ",".join(word(field) if isinstance(field, str) else number(field) for field in row)
        for row in rows
    ]
    return "".join([header(columns), *(f"{line}\n" for line in lines)]).encode()


def word_back(field: str) -> str:
    """Undo rules 1 and 2 of :func:`word`; a CSV reader has undone rule 3 already."""
    field = field.removeprefix("'")
    return _ESCAPED.sub(lambda match: match[0].encode().decode("unicode_escape"), field)


def sound_text(content: bytes, columns: Sequence[str]) -> tuple[str, list[str]]:
    """Return header and lines of a table that are right in every field, and what is wrong with it.

    ``content`` may be any bytes. Each problem is worded to follow the file's name.
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
