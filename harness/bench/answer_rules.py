"""Rules of a dialect on what is read: samples, the form of answers, and status (pure).

Shapes and types are the model's own to tell.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from harness.bench.wire_text import SENDABLE, Tables, wrong_message
from harness.files.config_error import ConfigError
from harness.profile.measures import OPERATIONS

#: Question that each part of a sample answers.
SAMPLED = {
    "voltage": "measure_voltage",
    "current": "measure_current",
    "power": "measure_power",
    "status": "status",
    "current_limit": "current_limit_state",
    "protection": "protection_state",
}

#: Stands in a sample for a part that nobody needs.
NOT_READ = "-"

_NO_SEPARATOR = "what stands between two values is one character that no number has"


def answer_errors(role: str, tables: Tables) -> Iterator[ConfigError]:
    """Yield every mistake in what a dialect says of answers."""
    answer = tables["sample"].get("answer")
    sampled = answer if isinstance(answer, list) else []
    sampled = [each for each in sampled if isinstance(each, str)]  # all else is told already
    if tables["sample"]:
        yield from _sample(role, tables, sampled)
    yield from _answers(tables, sampled)
    yield from _lengths(tables)
    yield from _status(role, tables, sampled)


def _sample(role: str, tables: Tables, sampled: Sequence[str]) -> Iterator[ConfigError]:
    """A sample reads what its role needs, each value once."""
    if role in ("meter", "switch"):
        reads = "is asked one quantity at a time" if role == "meter" else "reads nothing"
        yield ConfigError(("sample",), f"a {role} {reads}: leave this table out")
        return
    ask, separator = tables["sample"].get("ask"), tables["sample"].get("separator", ";")
    if isinstance(ask, str) and (not SENDABLE.fullmatch(ask) or "{value}" in ask):
        problem = "the message must be printable ASCII text without {value}"
        yield ConfigError(("sample", "ask"), problem, '"MEAS:VOLT?;:MEAS:CURR?"')
    wrong = []
    needed = ("voltage", "current", *(["power"] if role == "power_meter" else []))
    missing = [name for name in needed if name not in sampled]
    if missing:
        wrong.append(
            f"a {role.replace('_', ' ')}'s sample cannot do without {' and '.join(missing)}"
        )
    repeated = dict.fromkeys(
        name for name in sampled if name != NOT_READ and sampled.count(name) > 1
    )
    if repeated:
        wrong.append(f"{' and '.join(map(repr, repeated))} stands here more than once")
    example = ", ".join(f'"{name}"' for name in needed)
    if wrong and isinstance(tables["sample"].get("answer"), list):
        yield ConfigError(("sample", "answer"), "; ".join(wrong), f"[{example}]")
    if isinstance(separator, str) and not _is_separator(separator):
        yield ConfigError(("sample", "separator"), _NO_SEPARATOR, '","')


def _is_separator(text: str) -> bool:
    return bool(SENDABLE.fullmatch(text) and re.fullmatch("[^A-Za-z0-9+.-]", text))


def _answers(tables: Tables, sampled: Sequence[str]) -> Iterator[ConfigError]:
    """What an answer looks like is said of questions this dialect asks."""
    asked = tables["ask"].keys() | {SAMPLED[name] for name in sampled if name in SAMPLED}
    for operation, given in tables["answers"].items():
        path, form = ("answers", operation), OPERATIONS.get(operation, "value")
        if form not in ("value", "state"):
            yield ConfigError(path, f"the answer to {operation!r} holds no single value")
        elif operation in OPERATIONS and operation not in asked:
            yield ConfigError(path, f"this dialect never asks {operation!r}: add it under [ask]")
        for key, problem, example in _wrong_answer(form, operation, given):
            yield ConfigError((*path, key) if key else path, problem, example)


def _wrong_answer(form: str, operation: str, given: Any) -> Iterator[tuple[str, str, str]]:
    """Yield key, problem and example of what is wrong with how one answer is taken apart."""
    told = given if isinstance(given, dict) else {"text": given}
    text, key = told.get("text"), "text" if told is given else ""
    if isinstance(text, str) and wrong_message("number", text):
        problem = (
            "it must be printable ASCII text that holds {value} once, where the number or the "
            "state stands"
        )
        yield key, problem, '"{value} V"'
    yield from _wrong_parts(told)
    if told.get("mask") == 0:
        yield "mask", "this looks at no bit", "64"
    yield from _wrong_state(told) if form == "state" else _wrong_number(operation, told)


def _wrong_parts(told: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Which of several values: the keys go together."""
    separator, part, parts = (told.get(name) for name in ("separator", "part", "parts"))
    if {"separator", "part", "parts"} & told.keys() and None in (separator, part, parts):
        problem = "separator, part (counted from 1) and parts (how many) go together"
        yield "", problem, '{ separator = ",", part = 1, parts = 3 }'
    elif isinstance(parts, int) and parts < 2:
        yield "parts", "one value alone has no parts", "2"
    elif isinstance(part, int) and isinstance(parts, int) and not 1 <= part <= parts:
        yield "part", f"parts are counted from 1, and there are {parts}", "1"
    if isinstance(separator, str) and not _is_separator(separator):
        yield "separator", _NO_SEPARATOR, '","'


def _wrong_state(told: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """A state is on or off, and has no size."""
    words = told.get("words")
    if "scale" in told:
        yield "scale", "a state has no scale", ""
    if "digits" in told and "mask" not in told:
        yield "digits", "which bit is the state? say so with its mask", "mask = 64"
    if isinstance(words, dict) and any(number not in (0, 1) for number in words.values()):
        yield "words", "a state is 0 for off or 1 for on", '{ "OFF" = 0, "ON" = 1 }'


def _wrong_number(operation: str, told: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """A measured number is no register, and the weights of a status have their own table."""
    if operation == "status":
        problem = "the weights of its bits stand under [status]: leave this out"
        yield from ((key, problem, "") for key in ("mask", "scale") if key in told)
    else:
        problem = "a measured number has neither bits nor words"
        yield from ((key, problem, "") for key in ("mask", "digits", "words") if key in told)


def _lengths(tables: Tables) -> Iterator[ConfigError]:
    """A raw byte needs a link without terminators, and one question has one length of answer."""
    lengths: dict[object, int] = {}
    for operation, told in tables["answers"].items():
        if not isinstance(told, dict):
            continue
        path, length = ("answers", operation), told.get("length")
        if told.get("digits") == "byte":
            length = 1
            if tables["link"].get("terminator") != "none":
                problem = 'a byte may look like a terminator: it needs terminator = "none"'
                yield ConfigError((*path, "digits"), problem)
            for key in ("length", "separator", "text"):
                if key in told:
                    yield ConfigError((*path, key), "a byte is the whole answer: leave this out")
        question = tables["ask"].get(operation)
        if length and lengths.setdefault(question, length) != length:
            problem = f"its question is answered by {lengths[question]} characters elsewhere"
            yield ConfigError((*path, "length"), problem, str(lengths[question]))


def _status(role: str, tables: Tables, sampled: Sequence[str]) -> Iterator[ConfigError]:
    """Weights need a question, and one bit cannot mean two things."""
    for operation in ("current_limit_state", "protection_state"):
        if role in ("meter", "load") and operation in tables["ask"]:
            yield ConfigError(("ask", operation), "only a supply is asked this: leave it out")
    weights = {name: weight for name, weight in tables["status"].items() if isinstance(weight, int)}
    if not any(weights.values()):
        return
    if role != "supply":
        yield ConfigError(("status",), "only a supply has status bits: leave this table out")
        return
    if "status" not in sampled and "status" not in tables["ask"]:
        problem = "there are weights, but no question that reads them under [ask]"
        yield ConfigError(("status",), problem, 'status = "STAT:QUES:COND?"')
    both = weights.get("protection", 0) & weights.get("current_limit", 0)
    if both:
        problem = f"{both} stands for the current limit as well"
        yield ConfigError(("status", "protection"), problem, "8")
