"""Rules of a dialect that join its parts: all that is wrong, each with its key and an example.

Pure, over the file as it was read: shapes and types are the model's own to tell.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from harness.errors import did_you_mean
from harness.files.config_error import ConfigError
from harness.files.text_file import quoted
from harness.profile.bench_file import wait_problem
from harness.profile.measures import OPERATIONS, REQUIRED, SETTINGS
from harness.quantity import QuantityError, parse_quantity, shown

#: Where the dialects stand that come with the program.
FOLDER = Path(__file__).parent / "dialects"

#: Question that each part of a sample answers.
SAMPLED = {
    "voltage": "measure_voltage",
    "current": "measure_current",
    "power": "measure_power",
    "status": "status",
}

#: Stands in a sample for a part that nobody needs.
NOT_READ = "-"

#: Table of a dialect each form of an operation stands in.
_TABLES = {"bare": "send", "number": "send", "value": "ask", "state": "ask", "text": "ask"}
#: The built-in dialects that examples are taken from.
_EXAMPLES = {"supply": "scpi-dc-supply", "meter": "scpi-meter", "load": "scpi-load"}
_MOST_DECIMALS = 12
#: What can go on the wire: printable ASCII.
_SENDABLE = re.compile("[ -~]+")
_NO_SEPARATOR = "what stands between two values is one character that no number has"

#: Stands in a message for a number: the one that is set, or another setting by its name.
PLACEHOLDER = re.compile(r"\{([a-z_]+)\}")

Tables = Mapping[str, Mapping[str, Any]]


def dialect_errors(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Yield every mistake in what stands in the file that is none of shape or type."""
    role = str(data.get("role"))
    names = (
        "link",
        "configure",
        "begin",
        "end",
        "send",
        "decimals",
        "ask",
        "sample",
        "answers",
        "status",
    )
    tables = {name: data[name] if isinstance(data.get(name), dict) else {} for name in names}
    answer = tables["sample"].get("answer")
    sampled = answer if isinstance(answer, list) else []
    sampled = [each for each in sampled if isinstance(each, str)]  # all else is told already
    yield from _unknown(tables)
    yield from _waits(role, tables)
    yield from _messages(role, tables)
    yield from _begin_and_end(tables)
    yield from _both_at_once(role, tables)
    yield from _configure(role, tables)
    yield from _missing(role, tables)
    if isinstance(data.get("sample"), dict):
        yield from _sample(role, tables, sampled)
    yield from _answers(tables, sampled)
    yield from _status(role, tables, sampled)


@cache
def _examples(role: str) -> Mapping[str, str]:
    """Return how a built-in dialect says each operation, as it stands in a file."""
    if role not in _EXAMPLES:
        return {}
    told = tomllib.loads((FOLDER / f"{_EXAMPLES[role]}.toml").read_text(encoding="utf-8"))
    return {name: quoted(message) for name, message in {**told["send"], **told["ask"]}.items()}


def _unknown(tables: Tables) -> Iterator[ConfigError]:
    """Operations that are none, and decimals beyond what a number may have."""
    for table in ("send", "ask", "decimals", "answers"):
        for operation, given in tables[table].items():
            if operation not in OPERATIONS:
                problem = f"there is no operation {operation!r}"
                problem += did_you_mean(operation, OPERATIONS)
                yield ConfigError((table, operation), problem)
            elif table == "decimals":
                yield from _number_form(operation, given)


def _number_form(operation: str, given: object) -> Iterator[ConfigError]:
    """How a number is written: of one that is sent, with no more decimals than a number has."""
    path: tuple[str, ...] = ("decimals", operation)
    if OPERATIONS[operation] != "number":
        yield ConfigError(path, f"no number is sent with {operation!r}: leave this line out")
    if isinstance(given, dict):
        path, given = (*path, "decimals"), given.get("decimals")
    if isinstance(given, int) and not 0 <= given <= _MOST_DECIMALS:
        yield ConfigError(path, f"decimals go from 0 to {_MOST_DECIMALS}", "3")


def _waits(role: str, tables: Tables) -> Iterator[ConfigError]:
    """No instrument is waited for longer than power may hang on it."""
    said = tables["link"].get("acknowledgement")
    if isinstance(said, str) and (said != said.strip() or not _SENDABLE.fullmatch(said)):
        plain = "it must be printable ASCII text without blanks around it"
        yield ConfigError(("link", "acknowledgement"), plain, '"OK"')
    if said is not None and "rest" in tables["link"]:
        ready = "what acknowledges a message is ready for the next: leave rest out"
        yield ConfigError(("link", "rest"), ready)
    for key in ("timeout", "settle", "rest"):
        try:
            problem = wait_problem(role, parse_quantity(tables["link"].get(key), "s"))
        except (QuantityError, KeyError):  # no quantity, or no role: told already
            continue
        if problem is not None:
            yield ConfigError(("link", key), problem, '"2 s"')


def _messages(role: str, tables: Tables) -> Iterator[ConfigError]:
    """Each operation stands in its table, each message is one that can go on the wire."""
    for table in ("send", "ask"):
        for operation, message in tables[table].items():
            if operation not in OPERATIONS:
                continue
            form, path = OPERATIONS[operation], (table, operation)
            example = _examples(role).get(operation, "")
            if _TABLES[form] != table:
                yield ConfigError(path, f"{operation!r} belongs under [{_TABLES[form]}]", example)
            wrong = _wrong_message(form, message) if isinstance(message, str) else ""
            if wrong:
                yield ConfigError(path, f"the message of {operation!r} {wrong}", example)


def _wrong_message(form: str, message: str) -> str:
    if not _SENDABLE.fullmatch(message):
        return "must be printable ASCII text"
    if form == "number":
        return "" if message.count("{value}") == 1 else "must hold {value} once"
    return "has no number to hold {value}" if "{value}" in message else ""


def _both_at_once(role: str, tables: Tables) -> Iterator[ConfigError]:
    """A message that sets two things at once names the other one, which is set by itself, too."""
    settings = SETTINGS.get(role, {})
    for operation, message in tables["send"].items():
        if OPERATIONS.get(operation) != "number" or not isinstance(message, str):
            continue
        for name in PLACEHOLDER.findall(message):
            if name == "value":
                continue
            problem = ""
            if name not in settings:
                there = did_you_mean(name, settings) or f"; there are {', '.join(settings)}"
                problem = f"there is no setting {name!r} to stand in braces{there}"
            elif f"set_{name}" == operation:
                problem = f"{{{name}}} is what this message sets: write {{value}}"
            elif f"set_{name}" not in tables["send"]:
                problem = f"{{{name}}} is never set: there is no set_{name} under [send]"
            if problem:
                yield ConfigError(("send", operation), problem)


def _configure(role: str, tables: Tables) -> Iterator[ConfigError]:
    """What is sent once before a measurement belongs to a question of a meter."""
    if tables["configure"] and role != "meter":
        problem = "only a meter is configured: what comes first goes under [begin]"
        yield ConfigError(("configure",), problem)
        return
    for operation, message in tables["configure"].items():
        path = ("configure", operation)
        if not (operation.startswith("measure_") and operation in tables["ask"]):
            problem = "this dialect measures nothing of this name: add the question under [ask]"
            yield ConfigError(path, problem)
        if isinstance(message, str) and (wrong := _wrong_message("bare", message)):
            yield ConfigError(path, f"this message {wrong}", '"CONF:VOLT:DC 100"')
        elif isinstance(message, str) and "?" in message:
            yield ConfigError(path, "nobody reads the answer to a question here: leave it out")


def _begin_and_end(tables: Tables) -> Iterator[ConfigError]:
    """What comes first and last asks nothing, energises nothing, and sets nothing.

    It passes the keeper by, and may go out while power is on (safety rule 3).
    """
    kept = {
        message.partition("{")[0].casefold(): name
        for name, message in tables["send"].items()
        if isinstance(message, str)
        and (name in ("output_on", "input_on") or OPERATIONS.get(name) == "number")
    }
    for table in ("begin", "end"):
        messages = tables[table].get("send")
        for number, message in enumerate(messages if isinstance(messages, list) else ()):
            path = (table, "send", number)
            if not isinstance(message, str):
                continue  # told already
            if wrong := _wrong_message("bare", message):
                yield ConfigError(path, f"this message {wrong}", '["INST:NSEL 2"]')
            elif "?" in message:
                yield ConfigError(path, "nobody reads the answer to a question here: leave it out")
            for begin, name in kept.items():
                if begin.strip() and begin in message.casefold():
                    problem = f"{shown(message)} holds the message of {name}: that is the keeper's"
                    yield ConfigError(path, problem)


def _missing(role: str, tables: Tables) -> Iterator[ConfigError]:
    for operation in REQUIRED.get(role, ()):
        if operation not in tables["send"] and operation not in tables["ask"]:
            problem = f"a {role} cannot do without {operation}"
            example = f"{operation} = {_examples(role)[operation]}"
            yield ConfigError((_TABLES[OPERATIONS[operation]],), problem, example)


def _sample(role: str, tables: Tables, sampled: Sequence[str]) -> Iterator[ConfigError]:
    """A sample reads what its role needs, each value once."""
    if role == "meter":
        problem = "a meter is asked one quantity at a time: leave this table out"
        yield ConfigError(("sample",), problem)
        return
    ask, separator = tables["sample"].get("ask"), tables["sample"].get("separator", ";")
    if isinstance(ask, str) and (not _SENDABLE.fullmatch(ask) or "{value}" in ask):
        problem = "the message must be printable ASCII text without {value}"
        yield ConfigError(("sample", "ask"), problem, '"MEAS:VOLT?;:MEAS:CURR?"')
    wrong = []
    missing = [name for name in ("voltage", "current") if name not in sampled]
    if missing:
        wrong.append(f"a {role}'s sample cannot do without {' and '.join(missing)}")
    repeated = dict.fromkeys(
        name for name in sampled if name != NOT_READ and sampled.count(name) > 1
    )
    if repeated:
        wrong.append(f"{' and '.join(map(repr, repeated))} stands here more than once")
    if wrong and isinstance(tables["sample"].get("answer"), list):
        yield ConfigError(("sample", "answer"), "; ".join(wrong), '["voltage", "current"]')
    if isinstance(separator, str) and not _is_separator(separator):
        yield ConfigError(("sample", "separator"), _NO_SEPARATOR, '","')


def _is_separator(text: str) -> bool:
    return bool(_SENDABLE.fullmatch(text) and re.fullmatch("[^A-Za-z0-9+.-]", text))


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
    if isinstance(text, str) and _wrong_message("number", text):
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


def _status(role: str, tables: Tables, sampled: Sequence[str]) -> Iterator[ConfigError]:
    """Weights need a question, and one bit cannot mean two things."""
    weights = {name: weight for name, weight in tables["status"].items() if isinstance(weight, int)}
    if not any(weights.values()):
        return
    if role != "supply":
        yield ConfigError(("status",), "only a supply has status bits: leave this table out")
        return
    if "status" not in sampled and "status" not in tables["ask"]:
        problem = "there are weights, but no question that reads them under [ask]"
        yield ConfigError(("status",), problem, f"status = {_examples('supply')['status']}")
    both = weights.get("protection", 0) & weights.get("current_limit", 0)
    if both:
        problem = f"{both} stands for the current limit as well"
        yield ConfigError(("status", "protection"), problem, "8")
