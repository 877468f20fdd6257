"""The files a user names: found, read, told apart, and held against the model of what they say."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Self, TypeVar

from pydantic import PrivateAttr, ValidationError

from harness.errors import FileError, Mistake, did_you_mean
from harness.files.config_error import ConfigError, as_mistakes, found_by_validation
from harness.files.field_types import Table
from harness.files.file_kind import FileKind, mistaken_for
from harness.files.text_file import TomlFile, read_toml
from harness.shipped import shipped, shipped_names

_TableT = TypeVar("_TableT", bound=Table)

#: Finds mistakes beside those of the model in what stands in a file.
_Rules = Callable[[Mapping[str, Any]], Iterable[ConfigError]]


class FromFile(Table):
    """A whole file as a table, with the file it came from.

    What it came from is no key of the file: a file that says ``source`` has an unknown key.
    """

    _file: TomlFile = PrivateAttr(TomlFile(name="", text="", sha256="", data={}))

    @property
    def source(self) -> str:
        """The file's name as the user gave it; empty for one made in a script."""
        return self._file.name

    @property
    def text(self) -> str:
        """The file's text to the last byte, for the record."""
        return self._file.text

    @property
    def sha256(self) -> str:
        """SHA-256 of the file, in hex."""
        return self._file.sha256

    def came_from(self, file: TomlFile) -> Self:
        """Return a copy that knows its file."""
        copy = self.model_copy()
        copy._file = file  # noqa: SLF001 - its own class
        return copy


def read_named(
    source: str | Path, wanted: FileKind, error: type[FileError] = FileError
) -> TomlFile:
    """Read a TOML file by its path, or by the name of a shipped one.

    Args:
        source: Path of a file, or name of a shipped one with or without its folder and ``.toml``.
            A file of that path comes first.
        wanted: What kind of file it has to be.
        error: What is raised.

    Raises:
        FileError: There is no such file, it is no TOML, or it is plainly of another kind: then
            that is all that is said. Raised as ``error``.
    """
    file = _read(source, wanted.folder, error)
    problem = mistaken_for(file.data, wanted)
    if problem:
        raise error([Mistake(file.name, None, "", problem)])
    return file


def read_table(
    path: Path,
    model: type[_TableT],
    error: type[FileError],
    name: str = "",
    *,
    rules: _Rules = lambda _: (),
) -> _TableT:
    """Read a TOML file that another file names, or that is shipped, as a table.

    Args:
        path: The file.
        model: What it must hold.
        error: What is raised.
        name: The file's name as the user gave it; left out, the path.
        rules: As for :func:`validated`.

    Raises:
        FileError: With every mistake in the file. Raised as ``error``.
    """
    return validated(read_toml(path, name or str(path), error), model, error, rules=rules)


def validated(
    file: TomlFile,
    model: type[_TableT],
    error: type[FileError] = FileError,
    *,
    rules: _Rules = lambda _: (),
    table_rules: Callable[[_TableT], Iterable[ConfigError]] = lambda _: (),
) -> _TableT:
    """Return a file as a table; a :class:`FromFile` knows the file it came from.

    Args:
        file: The file.
        model: What it must hold.
        error: What is raised.
        rules: What is told beside the model, whether it fits or not.
        table_rules: What is told of a table that fits the model.

    Raises:
        FileError: With every mistake in the file. Raised as ``error``.
    """
    found: list[ConfigError] = []
    table: _TableT | None = None
    try:
        table = model.model_validate(file.data)
    except ValidationError as problem:
        found += found_by_validation(problem, model, file.data)
    found += rules(file.data)
    if table is not None:
        found += table_rules(table)
    if table is None or found:
        raise error(as_mistakes(found, file.name, file.text))
    return table.came_from(file) if isinstance(table, FromFile) else table


def _read(source: str | Path, folder: str, error: type[FileError]) -> TomlFile:
    name = str(source)
    # os.path says no where pathlib raises: for a name that no file can have.
    if os.path.isfile(source):  # noqa: PTH113
        return read_toml(Path(source), name, error)
    found = shipped("profiles", folder + name.removeprefix(folder))
    if found is None and not os.path.exists(source):  # noqa: PTH110
        raise error([Mistake(name, None, "", f"there is no such file{_hint(name, folder)}")])
    return read_toml(found or Path(source), name, error)


def _hint(name: str, folder: str) -> str:
    """Name the nearest shipped file of the folder, or all of them."""
    stems = [
        known.removesuffix(".toml")
        for known in shipped_names("profiles")
        if known.rpartition("/")[0] == folder.rstrip("/")
    ]
    bare = folder + name.replace("\\", "/").rsplit("/", 1)[-1].removesuffix(".toml")
    near = did_you_mean(bare, stems)
    return near or (f"; shipped with the program: {', '.join(stems)}" if stems else "")
