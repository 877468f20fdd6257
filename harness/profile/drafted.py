"""Figures of a file that are still marked as drafted: nobody has put their own in yet."""

from __future__ import annotations

import re
from collections.abc import Iterator

from harness.files.named_file import FromFile
from harness.files.toml_positions import KeyPath, TomlPositions

#: What a draft writes behind a figure that it only assumed. Whoever replaces the figure takes the
#: mark away.
MARK = "CHECK"

#: A comment with the mark, behind a key; quoted text may hold anything, a ``#`` too.
_MARKED = re.compile(rf"""\s*[^\s#](?:"(?:\\.|[^"\\])*"|'[^']*'|[^"'#])*\#.*\b{MARK}\b""")


def drafted_figures(file: FromFile) -> Iterator[str]:
    """Yield each figure of a profile or unit file whose line still bears the mark, with its place.

    A line that is all comment has no figure, and does not count. What was made in a script has no
    text and no marks.
    """
    lines = enumerate(file.text.split("\n"), 1)
    marked = [number for number, line in lines if _MARKED.match(line)]
    paths: dict[int, KeyPath] = {}
    for path, number in TomlPositions(file.text).lines.items() if marked else ():
        paths.setdefault(number, path)
    found: dict[str, list[str]] = {}
    for number in marked:
        found.setdefault(_named(paths.get(number, ()), file), []).append(str(number))
    for name, numbers in found.items():
        yield f"{name}, line{'s' if len(numbers) > 1 else ''} {' and '.join(numbers)}"


def _named(path: KeyPath, file: FromFile) -> str:
    """Say which figure a path is, as people call it."""
    match path:
        case ("steps", int(at), "checks", int(number), *_):
            check = file.said(("steps", at, "checks", number, "name"))
            return f"check {check!r} of {_step(at, file)}"
        case ("steps", int(at), str(key), *_):
            return f"{key} of {_step(at, file)}"
        case ("parts", int(at), str(key), *_):
            return f"{key} of {file.said(('parts', at, 'name'))}"
        case _:
            return ".".join(map(str, path)) or "a figure"


def _step(at: int, file: FromFile) -> str:
    name = file.said(("steps", at, "title")) or file.said(("steps", at, "kind"))
    return f"step {at + 1} ({name})"
