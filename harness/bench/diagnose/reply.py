"""What is the matter with an answer that cannot be used, and the dialect's line for it (pure)."""

from __future__ import annotations

import re
from collections.abc import Sequence

from harness.bench.diagnose.cause import Cause
from harness.quantity import shown

__all__ = ["compound_cause", "echo_cause", "queue_cause", "reply_cause"]

#: A number that is no part of a word: not the 1 of ``V1``, but the 12.0 of ``12.0V``.
_NUMBER = re.compile(r"(?<![\w.+-])[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?(?![\d.]|[eE][+-]?\d)")
#: A state that is no part of a word or number (SCPI-1999 vol. 1, 7.3).
_STATE = re.compile(r"(?<![\w.+-])(?:ON|OFF|[+]?[01])(?![\w.])", re.IGNORECASE)


def reply_cause(operation: str, message: str, answer: str, *, state: bool) -> Cause:
    """Say what is wrong with an answer to one question.

    Args:
        operation: What was asked, as dialects name it.
        message: The question as it went out.
        answer: What came.
        state: Whether a state was asked for, and no number.
    """
    found = echo_cause(message, answer)
    if found is not None:
        return found
    line = _answer_line(operation, answer, state=state)
    if line:
        return Cause(
            what=f"{shown(answer)} is not {_wanted(state=state)} alone",
            remedy="its dialect must say where the value stands; write under [answers]:",
            write=(line,),
        )
    if state:
        return Cause(
            what=f"{shown(answer)} is neither 0 nor 1",
            remedy=f"its dialect needs another question for {operation}, one that is answered by 0 "
            "or 1, ON or OFF",
        )
    if not _NUMBER.search(answer):
        return Cause(
            what=f"{shown(answer)} is not a number, and holds none apart",
            remedy="this may be a greeting, or the answer to another question: switch greetings "
            "off in its menu, switch it off and on, and see that no other program talks to it; if "
            f"it always answers so, its dialect needs another question for {operation}",
        )
    return Cause(
        what=f"{shown(answer)} is not a number: it holds more than one",
        remedy=f"its dialect needs a question for {operation} that is answered by one value, or "
        "reads them all by its [sample]",
    )


def compound_cause(
    names: Sequence[str], operations: Sequence[str], message: str, answer: str
) -> Cause:
    """Say what is wrong with the answer to a dialect's sample.

    Args:
        names: What it should hold, as ``[sample] answer`` has it.
        operations: The questions these answer.
        message: The sample's message.
        answer: What came.
    """
    found = echo_cause(message, answer)
    if found is not None:
        return found
    for separator in (";", ",", " "):
        parts = answer.split() if separator == " " else answer.split(separator)
        if len(parts) != len(names):
            continue
        lines = [_part_line(*each) for each in zip(operations, parts, strict=True)]
        if None in lines:
            continue
        apart = [f'separator = "{separator}"'] if separator != ";" else []
        within = [line for line in lines if line]
        tables = (["[sample]"] if apart else []) + (["[answers]"] if within else [])
        return Cause(
            what=f"{shown(answer)} is not {len(names)} bare numbers parted by ';'",
            remedy=f"its dialect must say how they come; write under {' and '.join(tables)}:",
            write=(*apart, *within),
        )
    return Cause(
        what=f"expected {len(names)} answers in one line ({', '.join(names)}), got {shown(answer)}",
        remedy="leave [sample] out of its dialect, then the questions are put one by one; or let "
        "it ask what is answered in one line",
    )


def queue_cause(message: str, answer: str, what: str) -> Cause:
    """Say what is wrong with an answer to the question for the error queue.

    Args:
        message: The question as it went out.
        answer: What came.
        what: What was wrong with it.
    """
    return echo_cause(message, answer) or Cause(
        what=what,
        remedy="its dialect needs a question under [ask] error that is answered by code and text, "
        'such as 0,"No error"',
    )


def _answer_line(operation: str, answer: str, *, state: bool) -> str:
    """Return the line of ``[answers]`` that fits an answer; empty where none can be told."""
    text = answer.strip()
    found = list((_STATE if state else _NUMBER).finditer(text))
    if len(found) != 1 or not text.isascii() or not text.isprintable() or "{value}" in text:
        return ""
    start, end = found[0].span()
    return f"{operation} = {_toml(text[:start] + '{value}' + text[end:])}"


def _part_line(operation: str, part: str) -> str | None:
    """Return the line for one part of a compound answer, empty for a number, None for neither."""
    if _NUMBER.fullmatch(part.strip()):
        return ""
    return _answer_line(operation, part, state=False) or None


def echo_cause(message: str, answer: str) -> Cause | None:
    """Return the cause where nothing came back, or the message itself; else None.

    Args:
        message: The question as it went out.
        answer: What came.
    """
    text = answer.strip()
    if not text:
        return Cause(
            what="its answer is empty",
            remedy="check the terminator and, on a serial port, the line's settings; then that its "
            "dialect puts a question it answers",
        )
    if text.casefold() == message.strip().casefold():
        return Cause(
            what="it sends the message back: an echo",
            remedy="switch the echo off in its menu, or in its serial adapter",
        )
    return None


def _wanted(*, state: bool) -> str:
    return "0 or 1" if state else "a number"


def _toml(text: str) -> str:
    """Write text for a TOML file, in the quotes that need least in it."""
    if '"' in text and "'" not in text:
        return f"'{text}'"
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
