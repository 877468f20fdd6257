"""Rules of a dialect of registers: each message can be read, and fits its use (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.bench.registers import EXAMPLES, Registers, read_registers
from harness.bench.wire_text import ENERGISES, PLACEHOLDER, Tables
from harness.files.config_error import ConfigError
from harness.files.text_file import quoted
from harness.profile.measures import OPERATIONS

#: What is said of text under ``[link]``, and means nothing here.
_OF_TEXT = ("terminator", "quiet", "echo", "greeting", "first_answer", "acknowledgement")


def register_errors(tables: Tables) -> Iterator[ConfigError]:
    """Yield every mistake in the messages of a dialect that speaks in registers."""
    for key in _OF_TEXT:
        if key in tables["link"]:
            yield ConfigError(("link", key), "registers know nothing like it: leave this out")
    kept: dict[tuple[str, int], str] = {}
    for table in ("send", "ask", "configure"):
        for operation, message in tables[table].items():
            if operation in OPERATIONS and isinstance(message, str):
                yield from _message(table, operation, message, tables["decimals"])
                if operation in ENERGISES or OPERATIONS[operation] == "number":
                    found = _found(message)
                    places = () if isinstance(found, str) else found.places
                    kept |= dict.fromkeys(places, operation)
    for table in ("begin", "end"):
        sent = tables[table].get("send")
        for number, message in enumerate(sent if isinstance(sent, list) else ()):
            if isinstance(message, str):
                yield from _said_once((table, "send", number), message, kept)
    yield from _sample(tables["sample"])


def _message(
    table: str, operation: str, message: str, decimals: Mapping[str, Any]
) -> Iterator[ConfigError]:
    """A message means something, and does what its table is for."""
    form, found = OPERATIONS[operation], _found(message)
    path, example = (table, operation), quoted(EXAMPLES[form])
    if isinstance(found, str):
        yield ConfigError(path, f"{found} in {message!r}", example)
    elif problem := _misused(found, asks=table == "ask"):
        yield ConfigError(path, f"{problem}: {message!r}", example)
    elif form == "number":
        yield from _whole(operation, found, decimals.get(operation))


def _found(message: str) -> Registers | str:
    """Return what a message means, or what is wrong with it."""
    try:
        return read_registers(PLACEHOLDER.sub("0", message))
    except ValueError as error:
        return str(error)


def _misused(found: Registers, *, asks: bool) -> str:
    if asks and found.written is not None:
        return "a question writes nothing"
    if asks and len(found.types) > 1:
        return "a question has one value; several stand under [sample]"
    return "nothing is written here" if not asks and found.written is None else ""


def _whole(operation: str, found: Registers, given: Any) -> Iterator[ConfigError]:
    """Registers without a point want whole numbers."""
    decimals = given.get("decimals", 0) if isinstance(given, dict) else given
    if "f32" not in "".join(found.types) and decimals != 0:
        problem = "a register takes whole numbers: say what one count is worth"
        yield ConfigError(("decimals", operation), problem, "{ scale = 0.01 }")


def _said_once(
    path: tuple[str | int, ...], message: str, kept: dict[tuple[str, int], str]
) -> Iterator[ConfigError]:
    """What comes first and last writes, and nothing that the keeper guards (safety rule 3)."""
    found = _found(message)
    if isinstance(found, str):
        yield ConfigError(path, f"{found} in {message!r}", '"coil 5 = on"')
    elif found.written is None:
        yield ConfigError(path, "nobody reads the answer to a question here: leave it out")
    else:
        for operation in sorted({kept[place] for place in found.places & kept.keys()}):
            problem = f"{message!r} writes what {operation} writes: that is the keeper's"
            yield ConfigError(path, problem)


def _sample(sample: Any) -> Iterator[ConfigError]:
    ask, answer = sample.get("ask"), sample.get("answer")
    if not isinstance(ask, str):
        return
    found = _found(ask)
    if isinstance(found, str) or found.written is not None:
        problem = found if isinstance(found, str) else "a question writes nothing"
        yield ConfigError(("sample", "ask"), f"{problem}: {ask!r}", '"input 0x20 u16 u16"')
    elif isinstance(answer, list) and len(answer) != max(len(found.types), 1):
        problem = f"{ask!r} is answered by {len(found.types)} values: one type for each"
        yield ConfigError(("sample", "ask"), problem, '"input 0x20 u16 u16"')
    if "separator" in sample:
        yield ConfigError(("sample", "separator"), "values of registers are told apart anyway")
