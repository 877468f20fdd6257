"""Loads profiles and bench files: every mistake in one go, each with its line."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.errors import BenchFileError, FileError, ProfileError
from harness.files.config_error import ConfigError, as_mistakes, found_by_validation
from harness.files.field_types import Table
from harness.files.file_kind import BENCH, PROFILE
from harness.files.named_file import read_named
from harness.files.text_file import TomlFile, read_toml
from harness.files.toml_positions import TomlPositions
from harness.profile.bench_file import BenchFile
from harness.profile.limits import LoadedLimits, limit_errors, load_limits, with_limits
from harness.profile.rules import profile_errors
from harness.profile.schema import Profile

__all__ = ["load_bench", "load_profile", "read_table"]

_TableT = TypeVar("_TableT", bound=Table)


def load_profile(source: str | Path) -> Profile:
    """Load a profile.

    Args:
        source: Path of a TOML file, or name of a shipped profile with or without ``.toml``. A file
            of that path comes first.

    Raises:
        ProfileError: With every mistake in the file.
    """
    file = read_named(source, PROFILE, ProfileError)
    slips: list[ConfigError] = []
    profile = _validated(file, Profile, slips)
    slips += profile_errors(file.data)
    limits = _limits(file)
    if profile is not None:
        slips += limit_errors(profile, limits)
    if profile is None or slips:
        raise ProfileError(as_mistakes(slips, file.name, TomlPositions(file.text)))
    return with_limits(profile.came_from(file.name, file.text, file.sha256), limits)


def _limits(file: TomlFile) -> LoadedLimits:
    """Return the limit table that a profile names, or the shipped one."""
    table = file.data.get("limits")
    name = table.get("file") if isinstance(table, dict) else None
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        return LoadedLimits()
    return load_limits(Path(file.name).parent / name, name)


def load_bench(source: str | Path) -> BenchFile:
    """Load a bench file.

    Args:
        source: Path of a TOML file, or name of a shipped bench file with or without ``.toml``. A
            file of that path comes first.

    Raises:
        BenchFileError: With every mistake in the file.
    """
    file = read_named(source, BENCH, BenchFileError)
    slips: list[ConfigError] = []
    bench = _validated(file, BenchFile, slips)
    if bench is None:
        raise BenchFileError(as_mistakes(slips, file.name, TomlPositions(file.text)))
    return bench.came_from(file.name, file.text, file.sha256)


def read_table(
    path: Path,
    model: type[_TableT],
    error: type[FileError],
    name: str = "",
    *,
    rules: Callable[[Mapping[str, Any]], Iterable[ConfigError]] = lambda _: (),
) -> _TableT:
    """Read a TOML file as a table of any model.

    Args:
        path: The file.
        model: What it must hold.
        error: What is raised.
        name: The file's name as the user gave it; left out, the path.
        rules: What is told beside the model: finds slips in what stands in the file.

    Raises:
        FileError: With every mistake in the file. Raised as ``error``.
    """
    file = read_toml(path, name or str(path), error)
    slips: list[ConfigError] = []
    table = _validated(file, model, slips)
    slips += rules(file.data)
    if table is None or slips:
        raise error(as_mistakes(slips, file.name, TomlPositions(file.text)))
    return table


def _validated(file: TomlFile, model: type[_TableT], slips: list[ConfigError]) -> _TableT | None:
    """Return the file as a table, or None; what is wrong goes into ``slips``."""
    try:
        return model.model_validate(file.data)
    except ValidationError as found:
        slips += found_by_validation(found, model, file.data)
        return None
