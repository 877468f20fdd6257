"""The kinds of file a user writes: what tells them apart, and which command takes which."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

#: So many more keys must another kind know than the wanted one: a single one may be a slip.
_PLAINLY = 2


@dataclass(frozen=True, slots=True)
class FileKind:
    """A kind of file.

    Attributes:
        name: What people call it, with its article.
        keys: Every key there may be at its top. They are written out, since a unit model and a
            dialect are defined above this layer.
        goes_to: Where a file of this kind is given.
        folder: Folder of the shipped profiles that its shipped files are in; empty for the top.
    """

    name: str
    keys: frozenset[str]
    goes_to: str
    folder: str = ""

    def known(self, data: Mapping[str, Any]) -> int:
        """Return how many of a file's keys this kind knows."""
        return len(self.keys & data.keys())


PROFILE = FileKind(
    "a profile",
    frozenset({"title", "unit", "envelope", "limits", "rest", "steps"}),
    "softwake plan FILE, softwake rehearse FILE, softwake run FILE --bench BENCH",
)
BENCH = FileKind(
    "a bench file",
    frozenset({"name", "visa", "supply", "meter", "load"}),
    "softwake bench FILE, softwake plan or run PROFILE --bench FILE",
)
UNIT = FileKind(
    "a unit file",
    frozenset({"title", "serial", "maker", "unit", "event", "service", "parts"}),
    "softwake assess FILE, softwake run PROFILE --unit FILE",
    "units/",
)
MODEL = FileKind(
    "a unit model",
    frozenset({"title", "input", "fuse", "varistor", "rectifier", "inrush_limiter"})
    | frozenset({"bulk", "converter", "faults"}),
    "softwake rehearse PROFILE --unit-model FILE",
    "models/",
)
DIALECT = FileKind(
    "a dialect",
    frozenset({"name", "role", "title", "link", "send", "decimals", "ask", "answers"})
    | frozenset({"sample", "status"}),
    'an instrument of a bench file, as dialect = "FILE"',
)

KINDS = (PROFILE, BENCH, UNIT, MODEL, DIALECT)


def mistaken_for(data: Mapping[str, Any], wanted: FileKind) -> str:
    """Say that a file is plainly of another kind than the one wanted, or return nothing.

    A file that can be used has no key its own kind does not know, so none is ever turned away.

    Args:
        data: What stands in the file.
        wanted: The kind that belongs here.

    Returns:
        One sentence without a full stop: what the file looks like, what was wanted, and where a
        file like this goes.
    """
    likest = max(KINDS, key=lambda kind: kind.known(data))
    if likest.known(data) < wanted.known(data) + _PLAINLY:
        return ""
    return (
        f"this looks like {likest.name}, and {wanted.name} is wanted here; {likest.name} goes to: "
        f"{likest.goes_to}"
    )
