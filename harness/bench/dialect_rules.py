"""Rules of a dialect that join its parts: all that is wrong, each with its key and an example.

Pure, over the file as it was read: shapes and types are the model's own to tell.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from harness.bench.answer_rules import answer_errors
from harness.bench.register_rules import register_errors
from harness.bench.registers import EXAMPLES as REGISTER_EXAMPLES
from harness.bench.wire_text import ENERGISES, PLACEHOLDER, SENDABLE, Tables, wrong_message
from harness.errors import did_you_mean
from harness.files.config_error import ConfigError
from harness.files.text_file import quoted
from harness.profile.instruments import wait_problem
from harness.profile.measures import OPERATIONS, REQUIRED, SETTINGS
from harness.quantity import QuantityError, parse_quantity, shown

#: Where the dialects stand that come with the program.
FOLDER = Path(__file__).parent / "dialects"

#: Table of a dialect each form of an operation stands in.
_TABLES = {"bare": "send", "number": "send", "value": "ask", "state": "ask", "text": "ask"}
#: The built-in dialects that examples are taken from.
_EXAMPLES = {
    "supply": "scpi-dc-supply",
    "meter": "scpi-meter",
    "load": "scpi-load",
    "power_meter": "scpi-power-meter",
    "switch": "scpi-switch",
}
_MOST_DECIMALS = 12


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
    yield from _unknown(tables)
    yield from _waits(role, tables)
    yield from _messages(role, tables)
    yield from _begin_and_end(tables)
    if tables["link"].get("protocol") == "modbus":
        yield from register_errors(tables)
    yield from _both_at_once(role, tables)
    yield from _configure(role, tables)
    yield from _missing(role, tables)
    yield from answer_errors(role, tables)


@cache
def examples(role: str) -> Mapping[str, str]:
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
    if said is not None and "rest" in tables["link"]:
        ready = "what acknowledges a message is ready for the next: leave rest out"
        yield ConfigError(("link", "rest"), ready)
    yield from _link_texts(tables["link"])
    for key in ("timeout", "settle", "rest", "quiet", "first_answer"):
        try:
            problem = wait_problem(role, parse_quantity(tables["link"].get(key), "s"))
        except (QuantityError, KeyError):  # no quantity, or no role: told already
            continue
        if problem is not None:
            yield ConfigError(("link", key), problem, '"2 s"')


def _link_texts(link: Mapping[str, Any]) -> Iterator[ConfigError]:
    """What is waited for can come, and an end of answers is told in one way."""
    for key, example in (("acknowledgement", '"OK"'), ("greeting", '"Welcome"')):
        said = link.get(key)
        if isinstance(said, str) and (said != said.strip() or not SENDABLE.fullmatch(said)):
            plain = "it must be printable ASCII text without blanks around it"
            yield ConfigError(("link", key), plain, example)
    if "quiet" in link and link.get("terminator") != "none":
        problem = "a silence ends no answer that has a terminator: leave it out"
        yield ConfigError(("link", "quiet"), problem)


def _messages(role: str, tables: Tables) -> Iterator[ConfigError]:
    """Each operation stands in its table, each message is one that can go on the wire."""
    for table in ("send", "ask"):
        for operation, message in tables[table].items():
            if operation not in OPERATIONS:
                continue
            form, path = OPERATIONS[operation], (table, operation)
            example = examples(role).get(operation, "")
            if _TABLES[form] != table:
                yield ConfigError(path, f"{operation!r} belongs under [{_TABLES[form]}]", example)
            wrong = wrong_message(form, message) if isinstance(message, str) else ""
            if wrong:
                yield ConfigError(path, f"the message of {operation!r} {wrong}", example)


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
        if isinstance(message, str) and (wrong := wrong_message("bare", message)):
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
        if isinstance(message, str) and (name in ENERGISES or OPERATIONS.get(name) == "number")
    }
    for table in ("begin", "end"):
        messages = tables[table].get("send")
        for number, message in enumerate(messages if isinstance(messages, list) else ()):
            path = (table, "send", number)
            if not isinstance(message, str):
                continue  # told already
            if wrong := wrong_message("bare", message):
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
            spoken = examples(role)[operation]
            if tables["link"].get("protocol") == "modbus":
                spoken = quoted(REGISTER_EXAMPLES[OPERATIONS[operation]])
            example = f"{operation} = {spoken}"
            yield ConfigError((_TABLES[OPERATIONS[operation]],), problem, example)
