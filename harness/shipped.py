"""Finds what comes with the harness: profiles, simulated instruments, reference tables, versions.

A wheel carries them inside the package, a source checkout keeps them at its top, for people.
"""

from __future__ import annotations

from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Literal

#: The folders that are shipped.
Kind = Literal["profiles", "sim_configs", "shared"]

_PACKAGE = Path(__file__).resolve().parent


def shipped(kind: Kind, name: str) -> Path | None:
    """Return the shipped file of this name, or None where there is none.

    The name may lack its last suffix. It is compared with the names that exist and never made into
    a path, so none leads out of the folder.
    """
    files = _files(kind)
    if name in files:
        return files[name]
    same_stem = [path for full, path in files.items() if full.removesuffix(path.suffix) == name]
    return same_stem[0] if len(same_stem) == 1 else None


@cache
def version_of(package: str) -> str:
    """Return the version of an installed package, looked up once: that reads its files."""
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "not installed"


def shipped_names(kind: Kind) -> tuple[str, ...]:
    """Return the names of all shipped files of a kind, sorted, with ``/`` inside."""
    return tuple(_files(kind))


def _files(kind: Kind) -> dict[str, Path]:
    """Return the files by name; a ``README.md`` explains a folder and does not count."""
    folder = _PACKAGE / "shipped" / kind
    # The project file tells a checkout from site-packages, where `shared` may be anybody's.
    if not folder.is_dir() and (_PACKAGE.parent / "pyproject.toml").is_file():
        folder = _PACKAGE.parent / kind
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != "README.md")
    return dict(sorted((path.relative_to(folder).as_posix(), path) for path in files))
