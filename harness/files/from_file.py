"""Where a table came from: kept beside its content, out of reach of the file itself."""

from __future__ import annotations

from typing import Self

from pydantic import PrivateAttr

from harness.files.field_types import Table

__all__ = ["FromFile"]


class FromFile(Table):
    """A whole file as a table, with the file it came from.

    What it came from is no key of the file: a file that says ``source`` has an unknown key.
    """

    _source: str = PrivateAttr("")
    _text: str = PrivateAttr("")
    _sha256: str = PrivateAttr("")

    @property
    def source(self) -> str:
        """The file's name as the user gave it; empty for one made in a script."""
        return self._source

    @property
    def text(self) -> str:
        """The file's text to the last byte, for the record."""
        return self._text

    @property
    def sha256(self) -> str:
        """SHA-256 of the file, in hex."""
        return self._sha256

    def came_from(self, source: str, text: str, sha256: str) -> Self:
        """Return a copy that knows its file."""
        copy = self.model_copy()
        copy._source, copy._text, copy._sha256 = source, text, sha256  # noqa: SLF001 - its own class
        return copy
