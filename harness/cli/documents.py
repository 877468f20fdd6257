"""What ``--json`` prints: one document a command, as ``output.schema.json`` describes each.

Standard output holds that document and nothing else; whatever a person is shown goes to standard
error. Keys carry the SI unit of their value; a value whose unit depends has it beside it in
``unit``. Within one ``format`` keys may be added; none goes, and none changes its meaning.
"""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Iterator, Mapping
from importlib import resources
from typing import Any, Protocol

from harness.errors import FileError, HarnessError, Refused
from harness.record.run_summary import plain

FORMAT = 1
SCHEMA = "output.schema.json"

Content = Mapping[str, Any]


#: Kinds of the documents that this program has printed.
_printed: list[str] = []


class Teller(Protocol):
    """Prints the one document of a command."""

    def __call__(self, kind: str, content: Content) -> None:
        """Print a document of a kind."""


@contextlib.contextmanager
def telling(*, wanted: bool) -> Iterator[Teller | None]:
    """Give what prints the document; meanwhile all else that is printed goes to standard error.

    None where no document is wanted: then printing is as ever.
    """
    if not wanted:
        yield None
        return
    stream = sys.stdout

    def tell(kind: str, content: Content) -> None:
        _printed.append(kind)
        stream.write(document(kind, content))
        stream.flush()

    with contextlib.redirect_stdout(sys.stderr):
        yield tell


def tell_error(error: HarnessError | None, what: str, exit_code: int) -> None:
    """Print what ended the program as its document, unless it has printed one."""
    if not _printed:
        with contextlib.suppress(OSError, ValueError), telling(wanted=True) as tell:
            assert tell is not None
            tell("error", of_error(error, what, exit_code))


def document(kind: str, content: Content) -> str:
    """Return a document as text: ASCII, whatever stands in it, with its line end."""
    told = {"kind": kind, "format": FORMAT, **plain(content)}
    return json.dumps(told, indent=1, allow_nan=False) + "\n"


def schema() -> str:
    """Return the JSON Schema of all documents."""
    return resources.files(__package__).joinpath(SCHEMA).read_text(encoding="utf-8")


def of_error(error: HarnessError | None, what: str, exit_code: int) -> Content:
    """Return what an error says: what happened, where, what to do; of several, each."""
    several: tuple[str, ...] = ()
    if isinstance(error, FileError):
        several = tuple(map(str, error.mistakes))
    elif isinstance(error, Refused):
        several = error.reasons
    return {
        "what": what if error is None else error.what,
        "where": (error.where if error else "") or None,
        "remedy": (error.remedy if error else "") or None,
        "each": several,
        "exit_code": exit_code,
    }


def of_names(names: Mapping[str, str]) -> Content:
    """Return names that an option takes, each with what it stands for."""
    return {"names": [{"name": name, "about": about} for name, about in names.items()]}
