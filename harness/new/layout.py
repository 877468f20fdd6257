"""How a first file is laid out: comments wrapped, keys and what stands behind them aligned (pure).

A template says what stands there and leaves the looks to this module. In it ``# text`` is prose,
``#key = value`` a key that is left out for the user to complete, and both are comments in the end.
"""

from __future__ import annotations

import itertools
import re
import textwrap
from collections.abc import Iterable, Iterator

#: Width of a comment, its mark left aside.
_WIDTH = 76
#: A longer value has its comment right behind it, and does not push those of the others away.
_LONGEST_ALIGNED = 24

_KEY = re.compile(
    r"(?P<mark>#?)(?P<key>\w+) = "
    r"""(?P<value>(?:"(?:\\.|[^"\\])*"|[^"#])+?)(?:  # (?P<comment>.*))?"""
)


def laid_out(text: str) -> str:
    """Return the text of a template as people write TOML."""
    lines: list[str] = []
    for kind, group in itertools.groupby(text.strip().splitlines(), _kind):
        if kind == "key":
            lines += _aligned(group)
        elif kind == "prose":
            prose = textwrap.wrap(" ".join(line.removeprefix("# ") for line in group), _WIDTH)
            lines += (f"# {line}" for line in prose)
        elif kind == "blank":
            lines.append("")  # one, however many a template leaves
        else:
            lines += (line.replace("#[", "# [", 1) for line in group)
    return "\n".join((*lines, ""))


def _kind(line: str) -> str:
    if not line:
        return "blank"
    if line.startswith("# "):
        return "prose"
    return "key" if _KEY.fullmatch(line) else "as it is"


def _aligned(lines: Iterable[str]) -> Iterator[str]:
    """Yield the keys of one table, with values and comments below each other."""
    found = [match for line in lines if (match := _KEY.fullmatch(line))]
    width = max(len(match["key"]) for match in found)
    column = 0
    bodies = []
    for match in found:
        mark = "# " if match["mark"] else ""
        bodies.append(f"{mark}{match['key']:{width}} = {match['value']}")
        if len(match["value"]) <= _LONGEST_ALIGNED:
            column = max(column, len(bodies[-1]))
    for match, body in zip(found, bodies, strict=True):
        yield f"{body:{column}}  # {match['comment']}" if match["comment"] else body
