"""Reads the file a user named: one of their own, or one that is shipped with the program."""

from __future__ import annotations

import os
from pathlib import Path

from harness.errors import FileError, Mistake, did_you_mean
from harness.files.file_kind import FileKind, mistaken_for
from harness.files.text_file import TomlFile, read_toml
from harness.shipped import shipped, shipped_names

__all__ = ["read_named"]


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
