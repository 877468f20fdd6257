"""What a shell offers for the rest of a word: shipped files, files, records, faults."""

from __future__ import annotations

import glob
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from harness.cli.workshop import workshop_settings
from harness.errors import HarnessError
from harness.shipped import shipped_names

#: Records offered, the newest first.
_MOST_RECORDS = 50


def _files(like: str) -> Callable[[str], Iterator[str]]:
    """Return what offers shipped files by their names, and others by their paths."""

    def offered(begun: str) -> Iterator[str]:
        for name in shipped_names("profiles"):
            folder, _, file = name.rpartition("/")
            kind = folder or ("bench" if file.startswith("bench-") else "profile")
            if kind == like:
                yield file.removesuffix(".toml")
        for path in glob.iglob(f"{glob.escape(begun)}*"):  # noqa: PTH207 - as it was typed
            if Path(path).is_dir():
                yield f"{path}/"
            elif path.endswith(".toml"):
                yield path

    return offered


def _records(_begun: str) -> Iterator[str]:
    from harness.record.examine import folders

    yield "last"
    said = os.environ.get("SOFTWAKE_RESULTS") or workshop_settings().get("results", "results")
    for folder in folders(Path(said))[:_MOST_RECORDS]:
        yield folder.name


def _faults(_begun: str) -> Iterator[str]:
    from harness.rehearse.faults import FAULTS

    yield from ("list", *FAULTS)


#: What is offered, by the name of a parameter; typer leaves out what the word does not begin.
_OFFERED: dict[str, Callable[[str], Iterator[str]]] = {
    "profile": _files("profile"),
    "bench": _files("bench"),
    "file": _files("bench"),
    "unit": _files("units"),
    "unit_model": _files("models"),
    "run": _records,
    "fault": _faults,
}


def completion(parameter: str) -> Callable[[str], list[str]] | None:
    """Return what typer asks for the completions of a parameter; None where there are none."""
    offered = _OFFERED.get(parameter)
    if offered is None:
        return None

    def complete(incomplete: str) -> list[str]:  # typer wants this name
        try:
            return [*offered(incomplete)]
        except (HarnessError, OSError):  # a shell wants words, and no mistakes told
            return []

    return complete
