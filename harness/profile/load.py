"""Loads profiles and bench files: every mistake in one go, each with its line."""

from __future__ import annotations

from pathlib import Path

from harness.errors import BenchFileError, ProfileError
from harness.files.named_file import BENCH, PROFILE, read_named, validated
from harness.files.text_file import TomlFile
from harness.profile.bench_file import BenchFile
from harness.profile.limits import LoadedLimits, limit_errors, load_limits, with_limits
from harness.profile.rules import profile_errors
from harness.profile.schema import Profile


def load_profile(source: str | Path) -> Profile:
    """Load a profile.

    Args:
        source: Path of a TOML file, or name of a shipped profile with or without ``.toml``. A file
            of that path comes first.

    Raises:
        ProfileError: With every mistake in the file.
    """
    file = read_named(source, PROFILE, ProfileError)
    limits = _limits(file)
    profile = validated(
        file,
        Profile,
        ProfileError,
        rules=profile_errors,
        table_rules=lambda table: limit_errors(table, limits),
    )
    return with_limits(profile, limits)


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
    return validated(read_named(source, BENCH, BenchFileError), BenchFile, BenchFileError)
