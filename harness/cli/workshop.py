"""What the commands take where neither the command line nor the environment says.

Files of the workshop, ``softwake.toml``: one in the folder the command is given in, and one among
the user's settings for what that leaves out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from platformdirs import user_config_path
from typer.core import TyperGroup

from harness.files.field_types import Name, Table
from harness.files.named_file import validated
from harness.files.text_file import read_toml

_FILE = "softwake.toml"

#: Parameters that have another name than the key.
_KEYS = {"file": "bench"}


class Workshop(Table):
    """The keys of a ``softwake.toml``; a relative path begins at the folder of the file."""

    bench: Name | None = None  # a bench file, or the name of a shipped one
    results: Name | None = None  # folder of the records
    operator: Name | None = None


def places() -> Iterator[Path]:
    """Yield where a ``softwake.toml`` may be, the one that counts more first."""
    yield Path(_FILE)
    yield user_config_path("softwake", appauthor=False) / _FILE


def workshop_settings() -> dict[str, str]:
    """Return what the files of the workshop say, by key.

    Raises:
        FileError: With every mistake in one of them.
    """
    found: dict[str, str] = {}
    for place in reversed([*places()]):
        if place.exists():
            found |= _read(place)
    return found


def _read(place: Path) -> dict[str, str]:
    said = validated(read_toml(place, str(place)), Workshop).model_dump(exclude_none=True)
    for key in ("bench", "results"):
        beside = place.parent / said.get(key, "")
        if key in said and (key == "results" or beside.exists()):
            said[key] = str(beside)
    return said


def defaults_of(command: Any, settings: Mapping[str, str]) -> dict[str, Any]:
    """Return the settings as defaults of a command's parameters, or of those beneath it."""
    if isinstance(command, TyperGroup):
        return {name: defaults_of(each, settings) for name, each in command.commands.items()}
    names = (str(parameter.name) for parameter in command.params)
    return {name: settings[key] for name in names if (key := _KEYS.get(name, name)) in settings}
