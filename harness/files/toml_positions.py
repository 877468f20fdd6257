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


class _LostError(Exception):
    """The text is not what the scanner expects here."""


class TomlPositions:
    """The line of every key path in a text that is valid TOML."""

    def __init__(self, text: str) -> None:
        #: Where each key or list element begins, counted from 1; nothing where the way was lost.
        self.lines: dict[KeyPath, int] = {}
        self._text = text.removeprefix("\ufeff").replace("\r\n", "\n")
        self._at = 0
        self._starts = [0, *(match.end() for match in re.finditer("\n", self._text))]
        self._counts: dict[KeyPath, int] = {}
        self._implied: set[KeyPath] = set()
        try:
            self._document()
        except (_LostError, RecursionError):
            self.lines.clear()

    def nearest(self, path: KeyPath) -> int | None:
        """Return the line of a path, else of the table that lacks it; None for the whole file."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)

    def _document(self) -> None:
        table: KeyPath = ()
        while True:
            self._match(_BLANK)
            if self._at == len(self._text):
                return
            if self._stands("["):
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> KeyPath:
        """Follow ``[table]`` or ``[[list of tables]]``; return the path of what follows it."""
        brackets = 2 if self._stands("[[") else 1
        self._at += brackets
        path = self._keys(())
        self._take("]" * brackets)
        if brackets == 2:
            position = self._counts.get(path, 0)
            self._counts[path] = position + 1
            path = (*path, position)
            self._note(path)
        return path

    def _pair(self, table: KeyPath) -> None:
        path = self._keys(table)
        self._take("=")
        self._match(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._took("["):
            position = 0
            while not self._closed("]"):
                element = (*path, position)
                self._note(element)
                self._value(element)
                self._closed(",")
                position += 1
        elif self._took("{"):
            while not self._closed("}"):
                self._pair(path)
                self._closed(",")
        else:
            self._match(_SCALAR)

    def _keys(self, path: KeyPath) -> KeyPath:
        """Follow a key of a table, which may be dotted."""
        path = (*path, self._key())
        while self._took("."):  # what stands before is passed through; of a list, its last table
            self._note(path, implied=True)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
            path = (*path, self._key())
        self._note(path)
        return path

    def _key(self) -> str:
        self._match(_SPACE)
        if self._stands(("'", '"')):
            # The parser itself undoes the escapes.
            key = str(tomllib.loads(f"key = {self._match(_QUOTED_KEY)}")["key"])
        else:
            key = self._match(_BARE_KEY)
        self._match(_SPACE)
        return key

    def _note(self, path: KeyPath, *, implied: bool = False) -> None:
        """Keep where a path begins; its own mention counts more than one in passing."""
        known = path in self.lines and path not in self._implied
        if len(path) > _DEEPEST or known or (implied and path in self.lines):
            return
        self.lines[path] = bisect.bisect_right(self._starts, self._at)
        (self._implied.add if implied else self._implied.discard)(path)

    def _match(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if found is None:
            raise _LostError
        self._at = found.end()
        return found[0]

    def _stands(self, mark: str | tuple[str, ...]) -> bool:
        return self._text.startswith(mark, self._at)

    def _took(self, mark: str) -> bool:
        """Step past ``mark`` if it stands here."""
        stands = self._stands(mark)
        self._at += len(mark) if stands else 0
        return stands

    def _closed(self, mark: str) -> bool:
        self._match(_BLANK)
        return self._took(mark)

    def _take(self, mark: str) -> None:
        if not self._took(mark):
            raise _LostError
