"""Finds the files that come with the harness: profiles, simulated instruments, reference tables.

A wheel carries them inside the package, a source checkout keeps them at its top, where people look
for them. Nothing else in the harness knows the difference.
"""

from __future__ import annotations

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


def shipped_names(kind: Kind) -> tuple[str, ...]:
    """Return the names of all shipped files of a kind, sorted, with ``/`` between folder and file.

    A ``README.md`` explains a folder and does not count.
    """
    return tuple(_files(kind))


def _files(kind: Kind) -> dict[str, Path]:
    folder = _folder(kind)
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != "README.md")
    return dict(sorted((path.relative_to(folder).as_posix(), path) for path in files))


def _folder(kind: Kind) -> Path:
    """Return the folder of a kind: the package's own, else the checkout's; it need not exist."""
    installed = _PACKAGE / "shipped" / kind
    checkout = _PACKAGE.parent
    # The project file tells a checkout from site-packages, where `shared` may be anybody's.
    if not installed.is_dir() and (checkout / "pyproject.toml").is_file():
        return checkout / kind
    return installed
