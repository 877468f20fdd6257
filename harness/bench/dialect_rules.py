"""Rules of a dialect that join its parts: all that is wrong, each with its key and an example.

Pure, over the file as it was read: shapes and types are the model's own to tell.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from harness.errors import did_you_mean
from harness.files.config_error import ConfigError
from harness.profile.waits import wait_problem
from harness.quantity import QuantityError, parse_quantity

__all__ = ["OPERATIONS", "REQUIRED", "SAMPLED", "dialect_errors"]

#: What each role cannot do without, and why its safety rests on it.
REQUIRED: dict[str, tuple[str, ...]] = {
    "supply": (
        "identify",
        "clear",
        "error",
        "set_voltage",
        "voltage_setting",
        "set_current_limit",
        "current_limit_setting",
        "output_on",
        "output_off",
        "output_state",
        "measure_voltage",
        "measure_current",
    ),
    "meter": ("identify",),
    "load": (
        "identify",
        "set_current",
        "current_setting",
        "input_on",
        "input_off",
        "input_state",
        "measure_voltage",
        "measure_current",
    ),
}

#: Operations that send a number, and those that send without one.
_SET = frozenset(
    {
        "set_voltage",
        "set_current_limit",
        "set_voltage_protection",
        "set_current_protection",
        "set_watchdog",
        "set_frequency",
        "set_current",
        "set_resistance",
        "set_power",
    }
)
_SWITCH = frozenset(
    {
        "clear",
        "reset",
        "output_on",
        "output_off",
        "input_on",
        "input_off",
        "set_constant_current",
        "set_constant_resistance",
        "set_constant_power",
    }
)
#: Questions, and those of them whose answer is text and no single value.
_ASKED = frozenset(
    {
        *("identify", "error", "self_test", "complete", "status", "output_state", "input_state"),
        *("voltage_setting", "current_limit_setting", "frequency_setting", "watchdog_setting"),
        *("voltage_protection_setting", "current_protection_setting"),
        *("current_setting", "resistance_setting", "power_setting"),
        *("measure_voltage", "measure_current", "measure_power", "measure_frequency"),
        *("measure_voltage_dc", "measure_voltage_ac", "measure_current_dc"),
        *("measure_resistance", "measure_temperature"),
    }
)
_TEXTS = frozenset({"identify", "error"})

#: Every operation a dialect may define.
OPERATIONS = _SET | _SWITCH | _ASKED

#: Question that each part of a sample answers.
SAMPLED = {
    "voltage": "measure_voltage",
    "current": "measure_current",
    "power": "measure_power",
    "status": "status",
}

_MOST_DECIMALS = 12


def dialect_errors(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Yield every mistake that is none of shape or type.

    Args:
        data: What stands in the file.
    """
    yield from _waits(data)
    yield from _messages(data)
    yield from _missing(data)
    yield from _decimals(data)
    yield from _sample(data)
    yield from _answers(data)
    yield from _status(data)


def _table(data: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    table = data.get(name)
    return table if isinstance(table, dict) else {}


def _example(role: object, operation: str) -> str:
    """Return how a built-in dialect says it, as it stands in a file; empty where none does."""
    for table in ("send", "ask"):
        message = _built_in(role).get(table, {}).get(operation)
        if message is not None:
            return _text(message)
    return ""


@cache
def _built_in(role: object) -> Mapping[str, Any]:
    name = {"supply": "scpi-dc-supply", "meter": "scpi-meter", "load": "scpi-load"}.get(str(role))
    if name is None:
        return {}
    path = Path(__file__).parent / "dialects" / f"{name}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def _text(text: str) -> str:
    return f"'{text}'" if '"' in text else f'"{text}"'


def _sendable(message: object) -> bool:
    return (
        isinstance(message, str) and bool(message) and message.isascii() and message.isprintable()
    )


def _messages(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Known operations, each in its table, each message one that can go on the wire."""
    role = data.get("role")
    for table, fitting, other in (("send", _SET | _SWITCH, "ask"), ("ask", _ASKED, "send")):
        for operation, message in _table(data, table).items():
            path, example = (table, operation), _example(role, operation)
            if operation not in OPERATIONS:
                yield ConfigError(path, _unknown(operation))
                continue
            if operation not in fitting:
                yield ConfigError(path, f"{operation!r} belongs under [{other}]", example)
            if isinstance(message, str) and not _sendable(message):
                yield ConfigError(
                    path, f"the message of {operation!r} must be printable ASCII text", example
                )
            elif isinstance(message, str):
                yield from _placeholder(path, operation, message, example)


def _waits(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """No instrument is waited for longer than power may hang on it."""
    role = data.get("role")
    for key in ("timeout", "settle"):
        try:
            wait_s = parse_quantity(_table(data, "link").get(key), "s")
            problem = wait_problem(str(role), wait_s)
        except (QuantityError, KeyError):  # no quantity, or no role: told already
            continue
        if problem is not None:
            yield ConfigError(("link", key), problem, '"2 s"')


def _unknown(operation: str) -> str:
    return f"there is no operation {operation!r}{did_you_mean(operation, OPERATIONS)}"


def _placeholder(
    path: tuple[str, str], operation: str, message: str, example: str
) -> Iterator[ConfigError]:
    count = message.count("{value}")
    if operation in _SET and count != 1:
        yield ConfigError(path, f"the message of {operation!r} must hold {{value}} once", example)
    elif operation not in _SET and count:
        yield ConfigError(
            path, f"the message of {operation!r} has no number to hold {{value}}", example
        )


def _missing(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    role = data.get("role")
    has = _table(data, "send").keys() | _table(data, "ask").keys()
    for operation in REQUIRED.get(role, ()) if isinstance(role, str) else ():
        if operation not in has:
            table = "ask" if operation in _ASKED else "send"
            yield ConfigError(
                (table,),
                f"a {role} cannot do without {operation}",
                f"{operation} = {_example(role, operation)}",
            )


def _decimals(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    for operation, places in _table(data, "decimals").items():
        if operation not in OPERATIONS:
            yield ConfigError(("decimals", operation), _unknown(operation))
        elif isinstance(places, int) and not 0 <= places <= _MOST_DECIMALS:
            yield ConfigError(
                ("decimals", operation), f"decimals go from 0 to {_MOST_DECIMALS}", "3"
            )


def _sample(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """A sample reads what its role needs, each value once."""
    role, table = data.get("role"), data.get("sample")
    if not isinstance(table, dict):
        return
    if role == "meter":
        yield ConfigError(
            ("sample",), "a meter is asked one quantity at a time: leave this table out"
        )
        return
    answer = table.get("answer")
    names = [name for name in answer if isinstance(name, str)] if isinstance(answer, list) else None
    ask, separator = table.get("ask"), table.get("separator", ";")
    if isinstance(ask, str) and (not _sendable(ask) or "{value}" in ask):
        yield ConfigError(
            ("sample", "ask"),
            "the message must be printable ASCII text without {value}",
            '"MEAS:VOLT?;:MEAS:CURR?"',
        )
    if names is not None:
        wrong = []
        missing = [name for name in ("voltage", "current") if name not in names]
        if missing:
            wrong.append(f"a {role}'s sample cannot do without {' and '.join(missing)}")
        repeated = dict.fromkeys(name for name in names if names.count(name) > 1)
        if repeated:
            wrong.append(f"{' and '.join(map(repr, repeated))} stands here more than once")
        if wrong:
            yield ConfigError(("sample", "answer"), "; ".join(wrong), '["voltage", "current"]')
    if isinstance(separator, str) and not _parts(separator):
        yield ConfigError(
            ("sample", "separator"),
            "what stands between two values is one character that no number has",
            '","',
        )


def _parts(separator: str) -> bool:
    """Whether a character can stand between numbers."""
    return (
        len(separator) == 1
        and _sendable(separator)
        and not separator.isalnum()
        and separator not in "+-."
    )


def _answers(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """What an answer looks like is said of questions this dialect asks."""
    sample = _table(data, "sample").get("answer")
    in_sample = {
        SAMPLED[name]
        for name in (sample if isinstance(sample, list) else ())
        if isinstance(name, str) and name in SAMPLED
    }
    asked = _table(data, "ask").keys() | in_sample
    for operation, template in _table(data, "answers").items():
        path = ("answers", operation)
        if operation not in OPERATIONS:
            yield ConfigError(path, _unknown(operation))
        elif operation in _TEXTS or operation not in _ASKED:
            yield ConfigError(path, f"the answer to {operation!r} holds no single value")
        elif operation not in asked:
            yield ConfigError(path, f"this dialect never asks {operation!r}: add it under [ask]")
        if not isinstance(template, str):
            continue
        if not _sendable(template) or template.count("{value}") != 1:
            yield ConfigError(
                path,
                "it must be printable ASCII text that holds {value} once, where the number or the "
                "state stands",
                '"{value} V"',
            )


def _status(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Weights need a question, and one bit cannot mean two things."""
    weights = {
        name: weight
        for name, weight in _table(data, "status").items()
        if isinstance(weight, int) and weight
    }
    if not weights:
        return
    if data.get("role") != "supply":
        yield ConfigError(("status",), "only a supply has status bits: leave this table out")
        return
    answer = _table(data, "sample").get("answer")
    sampled = isinstance(answer, list) and "status" in answer
    if not sampled and "status" not in _table(data, "ask"):
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
