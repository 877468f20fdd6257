"""Rules of a dialect that join its parts: all that is wrong, each with its key and an example.

Pure, over the file as it was read: shapes and types are the model's own to tell.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from harness.errors import did_you_mean
from harness.files.config_error import ConfigError
from harness.files.toml_text import quoted
from harness.profile.bench_file import wait_problem
from harness.profile.measures import OPERATIONS, REQUIRED
from harness.quantity import QuantityError, parse_quantity

#: Where the dialects stand that come with the program.
FOLDER = Path(__file__).parent / "dialects"

#: Question that each part of a sample answers.
SAMPLED = {
    "voltage": "measure_voltage",
    "current": "measure_current",
    "power": "measure_power",
    "status": "status",
}

#: Table of a dialect each form of an operation stands in.
_TABLES = {"bare": "send", "number": "send", "value": "ask", "state": "ask", "text": "ask"}
#: The built-in dialects that examples are taken from.
_EXAMPLES = {"supply": "scpi-dc-supply", "meter": "scpi-meter", "load": "scpi-load"}
_MOST_DECIMALS = 12

Tables = Mapping[str, Mapping[str, Any]]


def dialect_errors(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Yield every mistake that is none of shape or type.

    Args:
        data: What stands in the file.
    """
    role = str(data.get("role"))
    names = ("link", "send", "decimals", "ask", "sample", "answers", "status")
    tables = {name: data[name] if isinstance(data.get(name), dict) else {} for name in names}
    answer = tables["sample"].get("answer")
    # None where it is no list; what is in it and no text is told already
    sampled = (
        [each for each in answer if isinstance(each, str)] if isinstance(answer, list) else None
    )
    yield from _waits(role, tables)
    yield from _messages(role, tables)
    yield from _missing(role, tables)
    yield from _decimals(tables)
    if isinstance(data.get("sample"), dict):
        yield from _sample(role, tables, sampled)
    yield from _answers(tables, sampled or ())
    yield from _status(role, tables, sampled or ())


@cache
def _built_in(role: str) -> Mapping[str, Any]:
    if role not in _EXAMPLES:
        return {}
    return tomllib.loads((FOLDER / f"{_EXAMPLES[role]}.toml").read_text(encoding="utf-8"))


def _example(role: str, operation: str) -> str:
    """Return how a built-in dialect says it, as it stands in a file; empty where none does."""
    for table in ("send", "ask"):
        message = _built_in(role).get(table, {}).get(operation)
        if message is not None:
            return quoted(message)
    return ""


def _unknown(operation: str) -> str:
    return f"there is no operation {operation!r}{did_you_mean(operation, OPERATIONS)}"


def _sendable(message: str) -> bool:
    return bool(message) and message.isascii() and message.isprintable()


def _waits(role: str, tables: Tables) -> Iterator[ConfigError]:
    """No instrument is waited for longer than power may hang on it."""
    for key in ("timeout", "settle"):
        try:
            problem = wait_problem(role, parse_quantity(tables["link"].get(key), "s"))
        except (QuantityError, KeyError):  # no quantity, or no role: told already
            continue
        if problem is not None:
            yield ConfigError(("link", key), problem, '"2 s"')


def _messages(role: str, tables: Tables) -> Iterator[ConfigError]:
    """Known operations, each in its table, each message one that can go on the wire."""
    for table in ("send", "ask"):
        for operation, message in tables[table].items():
            path, example = (table, operation), _example(role, operation)
            if operation not in OPERATIONS:
                yield ConfigError(path, _unknown(operation))
                continue
            right = _TABLES[OPERATIONS[operation]]
            if right != table:
                yield ConfigError(path, f"{operation!r} belongs under [{right}]", example)
            if not isinstance(message, str):
                continue
            told, count = f"the message of {operation!r}", message.count("{value}")
            if not _sendable(message):
                yield ConfigError(path, f"{told} must be printable ASCII text", example)
            elif OPERATIONS[operation] == "number" and count != 1:
                yield ConfigError(path, f"{told} must hold {{value}} once", example)
            elif OPERATIONS[operation] != "number" and count:
                yield ConfigError(path, f"{told} has no number to hold {{value}}", example)


def _missing(role: str, tables: Tables) -> Iterator[ConfigError]:
    for operation in REQUIRED.get(role, ()):
        if operation not in tables["send"] and operation not in tables["ask"]:
            yield ConfigError(
                (_TABLES[OPERATIONS[operation]],),
                f"a {role} cannot do without {operation}",
                f"{operation} = {_example(role, operation)}",
            )


def _decimals(tables: Tables) -> Iterator[ConfigError]:
    for operation, places in tables["decimals"].items():
        if operation not in OPERATIONS:
            yield ConfigError(("decimals", operation), _unknown(operation))
        elif isinstance(places, int) and not 0 <= places <= _MOST_DECIMALS:
            yield ConfigError(
                ("decimals", operation), f"decimals go from 0 to {_MOST_DECIMALS}", "3"
            )


def _sample(role: str, tables: Tables, sampled: list[str] | None) -> Iterator[ConfigError]:
    """A sample reads what its role needs, each value once."""
    if role == "meter":
        yield ConfigError(
            ("sample",), "a meter is asked one quantity at a time: leave this table out"
        )
        return
    ask, separator = tables["sample"].get("ask"), tables["sample"].get("separator", ";")
    if isinstance(ask, str) and (not _sendable(ask) or "{value}" in ask):
        yield ConfigError(
            ("sample", "ask"),
            "the message must be printable ASCII text without {value}",
            '"MEAS:VOLT?;:MEAS:CURR?"',
        )
    wrong = []
    if sampled is not None:
        missing = [name for name in ("voltage", "current") if name not in sampled]
        if missing:
            wrong.append(f"a {role}'s sample cannot do without {' and '.join(missing)}")
        repeated = dict.fromkeys(name for name in sampled if sampled.count(name) > 1)
        if repeated:
            wrong.append(f"{' and '.join(map(repr, repeated))} stands here more than once")
    if wrong:
        yield ConfigError(("sample", "answer"), "; ".join(wrong), '["voltage", "current"]')
    if isinstance(separator, str) and (
        len(separator) != 1 or not _sendable(separator) or separator.isalnum() or separator in "+-."
    ):
        yield ConfigError(
            ("sample", "separator"),
            "what stands between two values is one character that no number has",
            '","',
        )


def _answers(tables: Tables, sampled: Iterable[str]) -> Iterator[ConfigError]:
    """What an answer looks like is said of questions this dialect asks."""
    asked = tables["ask"].keys() | {SAMPLED[name] for name in sampled if name in SAMPLED}
    for operation, template in tables["answers"].items():
        path = ("answers", operation)
        if operation not in OPERATIONS:
            yield ConfigError(path, _unknown(operation))
        elif OPERATIONS[operation] not in ("value", "state"):
            yield ConfigError(path, f"the answer to {operation!r} holds no single value")
        elif operation not in asked:
            yield ConfigError(path, f"this dialect never asks {operation!r}: add it under [ask]")
        if isinstance(template, str) and (
            not _sendable(template) or template.count("{value}") != 1
        ):
            yield ConfigError(
                path,
                "it must be printable ASCII text that holds {value} once, where the number or the "
                "state stands",
                '"{value} V"',
            )


def _status(role: str, tables: Tables, sampled: Iterable[str]) -> Iterator[ConfigError]:
    """Weights need a question, and one bit cannot mean two things."""
    weights = {name: weight for name, weight in tables["status"].items() if isinstance(weight, int)}
    if not any(weights.values()):
        return
    if role != "supply":
        yield ConfigError(("status",), "only a supply has status bits: leave this table out")
        return
    if "status" not in sampled and "status" not in tables["ask"]:
        yield ConfigError(
            ("status",),
            "there are weights, but no question that reads them under [ask]",
            f"status = {_example('supply', 'status')}",
        )
    both = weights.get("protection", 0) & weights.get("current_limit", 0)
    if both:
        yield ConfigError(
            ("status", "protection"), f"{both} stands for the current limit as well", "8"
        )
