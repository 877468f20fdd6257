"""Figures of a profile that are still marked as drafted: nobody has put their own in yet."""

from __future__ import annotations

import re
from collections.abc import Iterator

from harness.files.toml_positions import KeyPath, TomlPositions
from harness.profile.schema import Profile

#: What a draft writes behind a figure that it only assumed. Whoever replaces the figure takes the
#: mark away.
MARK = "CHECK"

#: A comment with the mark, behind a key; quoted text may hold anything, a ``#`` too.
_MARKED = re.compile(rf"""\s*[^\s#](?:"(?:\\.|[^"\\])*"|'[^']*'|[^"'#])*\#.*\b{MARK}\b""")


def drafted_figures(profile: Profile) -> Iterator[str]:
    """Yield each figure whose line still bears the mark, with its place in the file.

    A line that is all comment has no figure, and does not count. A profile that was made in a
    script has no text and no marks.
    """
    lines = enumerate(profile.text.split("\n"), 1)
    marked = [number for number, line in lines if _MARKED.match(line)]
    paths: dict[int, KeyPath] = {}
    for path, number in TomlPositions(profile.text).lines.items() if marked else ():
        paths.setdefault(number, path)
    found: dict[str, list[str]] = {}
    for number in marked:
        found.setdefault(_named(paths.get(number, ()), profile), []).append(str(number))
    for name, numbers in found.items():
        yield f"{name}, line{'s' if len(numbers) > 1 else ''} {' and '.join(numbers)}"


def _named(path: KeyPath, profile: Profile) -> str:
    """Say which figure a path is, as people call it."""
    match path:
        case ("steps", int(at), *keys) if keys:
            step = profile.steps[at]
            what = str(keys[0])
            if what == "checks" and len(keys) > 1 and isinstance(keys[1], int):
                what = f"check {step.checks[keys[1]].name!r}"
            return f"{what} of step {at + 1} ({step.title or step.kind})"
        case _:
            return ".".join(map(str, path)) or "a figure"
