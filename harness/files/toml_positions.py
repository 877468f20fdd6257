"""Finds the line a key stands on: the TOML parser of the standard library does not tell.

The scanner walks a text that the parser has accepted already, so it need not judge, only follow.
Where it loses the way it says nothing rather than something wrong.
"""

from __future__ import annotations

import bisect
import re
import tomllib

#: Keys and list positions from the top of a file: ``("steps", 2, "checks", 0, "low")``.
KeyPath = tuple[str | int, ...]

#: Deeper paths are not kept: no file of ours goes below five.
_DEEPEST = 8

_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_QUOTED_KEY = re.compile(r"\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*'")
#: Any value but a list or an inline table. A closing triple quote may follow two of its kind.
_SCALAR = re.compile(
    r'"""(?:\\.|[^"\\]|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\d{4}-\d\d-\d\d \d\d:[^\s,\]}#]+"  # a date and a time may be parted by a space
    r"|[^\s,\]}#\"'][^\s,\]}#]*",
    re.DOTALL,
)


class TomlPositions:
    """The line of every key path in a TOML text.

    Args:
        text: A text that is valid TOML.

    Attributes:
        lines: The line, counted from 1, on which each key or list element begins; none at all
            where the scanner lost its way.
    """

    def __init__(self, text: str) -> None:
        scanner = _Scanner(text.removeprefix("\ufeff").replace("\r\n", "\n"))
        try:
            scanner.document()
        except (_LostError, RecursionError):
            scanner.lines.clear()
        self.lines = scanner.lines

    def nearest(self, path: KeyPath) -> int | None:
        """Return the line of a path, else of the table that lacks it; None for the whole file."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)


class _LostError(Exception):
    """The text is not what the scanner expects here."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._text = text
        self._at = 0
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._counts: dict[KeyPath, int] = {}
        self._implied: set[KeyPath] = set()

    def document(self) -> None:
        """Follow the whole text."""
        table: KeyPath = ()
        while True:
            self._match(_BLANK)
            if self._at == len(self._text):
                return
            if self._text.startswith("[", self._at):
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> KeyPath:
        """Follow ``[table]`` or ``[[list of tables]]``; return the path of what follows it."""
        line = self._line()
        brackets = 2 if self._text.startswith("[[", self._at) else 1
        self._at += brackets
        keys = self._keys()
        self._take("]" * brackets)
        path: KeyPath = ()
        for key in keys[:-1]:  # tables passed through; of a list of tables, the last one
            path = (*path, key)
            self._note(path, line, implied=True)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        path = (*path, keys[-1])
        self._note(path, line)
        if brackets == 2:
            count = self._counts[path] = self._counts.get(path, 0) + 1
            path = (*path, count - 1)
            self._note(path, line)
        return path

    def _pair(self, table: KeyPath) -> None:
        """Follow ``key = value``."""
        line = self._line()
        *outer, last = self._keys()
        path = table
        for key in outer:
            path = (*path, key)
            self._note(path, line, implied=True)
        path = (*path, last)
        self._note(path, line)
        self._take("=")
        self._match(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._text.startswith("[", self._at):
            self._list(path)
        elif self._text.startswith("{", self._at):
            self._inline_table(path)
        else:
            self._match(_SCALAR)

    def _list(self, path: KeyPath) -> None:
        self._take("[")
        position = 0
        while not self._closed("]"):
            element = (*path, position)
            self._note(element, self._line())
            self._value(element)
            self._closed(",")
            position += 1

    def _inline_table(self, path: KeyPath) -> None:
        self._take("{")
        while not self._closed("}"):
            self._pair(path)
            self._closed(",")

    def _closed(self, mark: str) -> bool:
        """Skip blanks, then take ``mark`` if it stands there."""
        self._match(_BLANK)
        if self._text.startswith(mark, self._at):
            self._at += 1
            return True
        return False

    def _keys(self) -> list[str]:
        """Follow a key, which may be dotted."""
        keys = [self._key()]
        while self._text.startswith(".", self._at):
            self._at += 1
            keys.append(self._key())
        return keys

    def _key(self) -> str:
        self._match(_SPACE)
        if self._text[self._at : self._at + 1] in ("'", '"'):
            quoted = self._match(_QUOTED_KEY)
            # The parser itself undoes the escapes.
            key = str(tomllib.loads(f"key = {quoted}")["key"])
        else:
            key = self._match(_BARE_KEY)
        self._match(_SPACE)
        return key

    def _note(self, path: KeyPath, line: int, *, implied: bool = False) -> None:
        """Keep where a path begins; its own mention counts more than one in passing."""
        known = path in self.lines and path not in self._implied
        if len(path) > _DEEPEST or known or (implied and path in self.lines):
            return
        self.lines[path] = line
        (self._implied.add if implied else self._implied.discard)(path)

    def _line(self) -> int:
        return bisect.bisect_right(self._starts, self._at)

    def _match(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if found is None:
            raise _LostError
        self._at = found.end()
        return found[0]

    def _take(self, mark: str) -> None:
        if not self._text.startswith(mark, self._at):
            raise _LostError
        self._at += len(mark)
