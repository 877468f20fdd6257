"""The files a user names: found, read, told apart, and held against the model of what they say."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self, TypeVar

from pydantic import PrivateAttr, ValidationError

from harness.errors import FileError, Mistake, did_you_mean
from harness.files.config_error import ConfigError, as_mistakes, found_by_validation
from harness.files.field_types import Table
from harness.files.text_file import TomlFile, read_toml
from harness.files.toml_positions import KeyPath, TomlPositions
from harness.shipped import shipped, shipped_names

_TableT = TypeVar("_TableT", bound=Table)

#: Finds mistakes beside those of the model in what stands in a file.
_Rules = Callable[[Mapping[str, Any]], Iterable[ConfigError]]

#: So many more keys must another kind know than the wanted one: a single one may be a slip.
_PLAINLY = 2


@dataclass(frozen=True, slots=True)
class FileKind:
    """A kind of file a user writes."""

    name: str  # what people call it, with its article
    #: Every key there may be at its top, written out: unit model and dialect are defined above.
    keys: frozenset[str]
    goes_to: str  # where such a file is given
    folder: str = ""  # of its shipped files; empty for the top


PROFILE = FileKind(
    "a profile",
    frozenset({"title", "purpose", "feed", "unit", "envelope", "limits", "rest", "steps"}),
    "softwake plan FILE, softwake rehearse FILE, softwake run FILE --bench BENCH",
)
BENCH = FileKind(
    "a bench file",
    frozenset({"name", "visa", "supply", "meter", "load", "power_meter", "switch"})
    | {"testers", "meters", "loads", "aux", "enable_switch"},
    "softwake bench FILE, softwake plan or run PROFILE --bench FILE",
)
UNIT = FileKind(
    "a unit file",
    frozenset({"title", "serial", "maker", "photos", "observed", "observed_note"})
    | {"observed_cause"}
    | {"unit", "event", "service", "parts", "hand_over"},
    "softwake assess FILE, softwake run PROFILE --unit FILE",
    "units/",
)
MODEL = FileKind(
    "a unit model",
    frozenset({"title", "input", "fuse", "varistor", "rectifier", "inrush_limiter"})
    | {"bulk", "boost", "converter", "standby", "charger", "battery", "work", "faults"},
    "softwake rehearse PROFILE --unit-model FILE",
    "models/",
)
DIALECT = FileKind(
    "a dialect",
    frozenset(
        {"name", "role", "title", "link", "begin", "end", "send", "decimals", "ask", "answers"}
    )
    | {"sample", "status", "configure"},
    'an instrument of a bench file, as dialect = "FILE"',
)

KINDS = (PROFILE, BENCH, UNIT, MODEL, DIALECT)


def mistaken_for(data: Mapping[str, Any], wanted: FileKind) -> str:
    """Say that a file is plainly of another kind than the one wanted, or return nothing.

    A file that can be used has no key its own kind does not know, so none is ever turned away.
    """
    known = {kind.name: len(kind.keys & data.keys()) for kind in KINDS}
    likest = max(KINDS, key=lambda kind: known[kind.name])
    if known[likest.name] < known[wanted.name] + _PLAINLY:
        return ""
    return (
        f"this looks like {likest.name}, and {wanted.name} is wanted here; {likest.name} goes to: "
        f"{likest.goes_to}"
    )


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

    def place(self, path: KeyPath) -> str:
        """Return the file, and the line where a path stands or is missing, as in a message."""
        line = TomlPositions(self.text).nearest(path)
        return self.source if line is None else f"{self.source}:{line}"

    def said(self, path: KeyPath) -> object:
        """Return what the file says under a path, as it stands there; None where it is silent."""
        found: Any = self._file.data
        for key in path:
            try:
                found = found[key]
            except (KeyError, IndexError, TypeError):
                return None
        return found

    def came_from(self, file: TomlFile) -> Self:
        """Return a copy that knows its file."""
        copy = self.model_copy()
        copy._file = file  # noqa: SLF001 - its own class
        return copy


def read_named(source: str | Path, wanted: FileKind) -> TomlFile:
    """Read a TOML file by its path, else by the name of a shipped one.

    That may do without its folder and ``.toml``.

    Raises:
        FileError: There is no such file, it is no TOML, or it is plainly of another kind: then
            that is all that is said.
    """
    name, found = str(source), None
    # os.path says no where pathlib raises: for a name that no file can have.
    if not os.path.isfile(source):  # noqa: PTH113
        found = shipped("profiles", wanted.folder + name.removeprefix(wanted.folder))
        if found is None and not os.path.exists(source):  # noqa: PTH110
            problem = f"there is no such file{_hint(name, wanted.folder)}"
            raise FileError([Mistake(name, None, "", problem)])
    file = read_toml(found or Path(source), name)
    problem = mistaken_for(file.data, wanted)
    if problem:
        raise FileError([Mistake(name, None, "", problem)])
    return file


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


def validated(
    file: TomlFile,
    model: type[_TableT],
    *,
    rules: _Rules = lambda _: (),
    table_rules: Callable[[_TableT], Iterable[ConfigError]] = lambda _: (),
) -> _TableT:
    """Return a file as a table; a :class:`FromFile` knows the file it came from.

    ``rules`` are told beside the model, whether it fits or not; ``table_rules`` of a table that
    fits it.

    Raises:
        FileError: With every mistake in the file.
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
        raise FileError(as_mistakes(found, file.name, file.text))
    return table.came_from(file) if isinstance(table, FromFile) else table
