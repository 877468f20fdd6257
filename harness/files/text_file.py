"""Reads a TOML file a user wrote, whatever it turns out to be; writes text as TOML has it."""

from __future__ import annotations

import hashlib
import json
import re
import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.errors import FileError, Mistake
from harness.quantity import shown

#: Largest file that is read, in bytes; a long profile has ten thousand.
_LARGEST = 1 << 18
#: Longest line, in characters.
_LONGEST_LINE = 4000
#: Most parts of a dotted key, and so many more where blanks stand between them, as in prose. The
#: time to read a key grows with the square of its parts; no key of ours has more than four.
_MOST_PARTS, _MOST_SPACED = 16, 64
_QUOTED = re.compile(r""" "[^"]*" | '[^']*' """, re.VERBOSE)
_DOTTED = re.compile(r"[\w-]+(?:\.[\w-]+)*")
_SPACED = re.compile(r"[\w-]+(?:[ \t]*\.[ \t]*[\w-]+)*")

#: ``dwell = 1 s``: the usual slip, a quantity without its quotes.
_UNQUOTED = re.compile(
    r"\s*(?P<key>[\w.-]+)\s*=\s*(?P<value>[+-]?[\d.]+\s*[A-Za-z%\u00b5\u03a9]+)\s*(?:#|$)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlFile:
    """A TOML file that was read."""

    name: str  # as the user gave it
    text: str  # to the last byte
    sha256: str  # of its bytes, in hex
    data: dict[str, Any]


class _UnusableError(Exception):
    def __init__(
        self, problem: str, line: int | None = None, key: str = "", example: str = ""
    ) -> None:
        self.mistake = (line, key, problem, example)


def read_toml(path: Path, name: str) -> TomlFile:
    """Read a TOML file, ``name`` as the user gave it.

    Raises:
        FileError: It is missing, no regular file, too large, not UTF-8 text, or not TOML.
    """
    try:
        raw = _read_bytes(path)
        text = _decode(raw)
        # Some editors begin UTF-8 with a byte order mark; TOML knows none.
        data = _parse(text.removeprefix("\ufeff"))
    except _UnusableError as unusable:
        raise FileError([Mistake(name, *unusable.mistake)]) from unusable.__cause__
    return TomlFile(name=name, text=text, sha256=hashlib.sha256(raw).hexdigest(), data=data)


def _read_bytes(path: Path) -> bytes:
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise _UnusableError("this is a folder; name a file in it")
        # A pipe or device would be waited for, or never end.
        if not stat.S_ISREG(found.st_mode):
            raise _UnusableError("this is no ordinary file")
        if found.st_size <= _LARGEST:
            with path.open("rb") as file:
                raw = file.read(_LARGEST + 1)
            if len(raw) <= _LARGEST:
                return raw
    except FileNotFoundError:
        raise _UnusableError("there is no such file") from None
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        raise _UnusableError(f"it cannot be read: {reason}") from problem
    raise _UnusableError("it is larger than 256 KiB; nobody wrote that by hand")


def _decode(raw: bytes) -> str:
    if b"\0" in raw:
        line = raw[: raw.index(b"\0")].count(b"\n") + 1
        raise _UnusableError("it holds a NUL byte: this is no text file", line)
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as problem:
        line = raw[: problem.start].count(b"\n") + 1
        message = "it is not UTF-8 text; save it as UTF-8 in your editor"
        raise _UnusableError(message, line) from None
    for number, line_text in enumerate(text.split("\n"), 1):
        if len(line_text) > _LONGEST_LINE:
            message = f"this line is longer than {_LONGEST_LINE} characters"
            raise _UnusableError(message, number)
        if line_text.count(".") >= _MOST_PARTS and _is_deep(line_text):
            message = f"a key here has more than {_MOST_PARTS} parts"
            raise _UnusableError(message, number, example='input.nominal = "24 V"')
    return text


def _is_deep(line: str) -> bool:
    """Whether a line has a dotted key of more parts than anybody writes."""
    bare = _QUOTED.sub("q", line)
    return any(
        run.count(".") >= most
        for pattern, most in ((_DOTTED, _MOST_PARTS), (_SPACED, _MOST_SPACED))
        for run in pattern.findall(bare)
    )


def _parse(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        problem = "this is no valid TOML: brackets are nested too deep"
        raise _UnusableError(problem) from None
    except ValueError as found:  # beside TOML's own errors: numbers and dates Python cannot hold
        raise _syntax_error(text, str(found)) from None


def _syntax_error(text: str, message: str) -> _UnusableError:
    """Say where the syntax breaks; the parser names the place in its message only."""
    lines = text.replace("\r\n", "\n").split("\n")
    place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    if place is None:
        return _UnusableError(f"this is no valid TOML: {message}")
    line = int(place[1]) if place[1] else max(1, len(text.rstrip().split("\n")))
    unquoted = _UNQUOTED.match(lines[line - 1])
    if unquoted is None:
        return _UnusableError(f"this is no valid TOML: {message[: place.start()]}", line)
    key, value = unquoted["key"], unquoted["value"].strip()
    problem = f"{shown(value)} is text and needs quotes"
    return _UnusableError(problem, line, key, f'{key} = "{value}"')


def quoted(text: str) -> str:
    """Return text as a TOML string, in the quotes that need least in it."""
    if '"' in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return json.dumps(text, ensure_ascii=False)  # what JSON escapes, TOML escapes alike
