"""Lists every formula and figure of the harness with its source, from docstrings and comments.

``python -m tests.formulas`` writes ``docs/formulas.md`` again.
"""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

__all__ = ["PAGE", "Formula", "formulas", "page", "used_names"]

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "formulas.md"

#: The packages in the order of the work, and what each is for.
_PACKAGES = {
    "unit": "The unit: over-stress and replacements",
    "profile": "The profile: plan, budgets, limits",
    "bench": "The bench: readings",
    "power": "Power: the keeper and its monitors",
    "run": "The run: steps and checks",
    "judge": "Judging: uncertainty, decision, settling",
    "record": "The record",
    "report": "The report",
    "files": "Files",
    "new": "First files",
    "qualify": "Error rates of a profile",
    "rehearse": "The simulated bench",
}

_TOP = """\
# Formulas and sources

Every formula and figure that the program works with, and where it comes from. This page is written
by `python -m tests.formulas` from the docstrings; a test compares the two, so it does not age.

*Textbook* marks what any textbook of the subject has; *common practice* what the trade does without
one document that says so; *from memory* what was not looked up for this project: look it up before
you rely on it. A formula narrows down where to look. It proves nothing about a unit: the
measurement does, and local codes come first.
"""

_SOURCE = re.compile(
    r"\bSources?:(?P<text>.*?)(?=\n\s*\n|\n\s*(?:Args|Returns|Raises|Attributes|Yields):|\Z)",
    re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Formula:
    """Something with a source.

    Attributes:
        module: Its file, seen from the root.
        name: What it is called there.
        summary: What it is, in a sentence.
        source: Where it comes from.
    """

    module: str
    name: str
    summary: str
    source: str


@cache
def formulas() -> tuple[Formula, ...]:
    """Return everything with a source, in the order of the files."""
    return tuple(_found())


@cache
def _parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _found() -> Iterator[Formula]:
    for path in sorted((ROOT / "harness").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        module = path.relative_to(ROOT).as_posix()
        found = {**_of_docstrings(_parsed(path)), **_of_comments(text)}
        for _, (name, told) in sorted(found.items()):
            match = _SOURCE.search(told)
            if match is not None:
                summary = _one_line(_SOURCE.sub("", told).strip().partition("\n\n")[0])
                yield Formula(module, name, summary, _one_line(match["text"]))


def used_names() -> set[str]:
    """Return every name that the program uses: called, read, imported as a module's own or not."""
    used: set[str] = set()
    for path in (ROOT / "harness").rglob("*.py"):
        for node in ast.walk(_parsed(path)):
            match node:
                case ast.Name(id=name, ctx=ast.Load()) | ast.Attribute(attr=name):
                    used.add(name)
    return used


def _of_docstrings(tree: ast.Module) -> dict[int, tuple[str, str]]:
    """Return name and docstring of modules, classes and functions by line."""
    found: dict[int, tuple[str, str]] = {}

    def walk(node: ast.AST, inside: str) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.ClassDef | ast.FunctionDef):
                name = f"{inside}{child.name}"
                found[child.lineno] = (name, ast.get_docstring(child) or "")
                walk(child, f"{name}.")

    found[0] = ("the whole file", ast.get_docstring(tree) or "")
    walk(tree, "")
    return found


def _of_comments(text: str) -> dict[int, tuple[str, str]]:
    """Return name and comment of constants by line."""
    found: dict[int, tuple[str, str]] = {}
    for match in re.finditer(r"^((?:[ ]*#:.*\n)+)[ ]*(\w+)", text, re.MULTILINE):
        comment = re.sub(r"^[ ]*#: ?", "", match[1], flags=re.MULTILINE)
        found[text.count("\n", 0, match.start(2)) + 1] = (match[2], comment)
    return found


def _one_line(text: str) -> str:
    return re.sub(r":\w+:`~?([^`]+)`", r"`\1`", " ".join(inspect.cleandoc(text).split()))


def page() -> str:
    """Return the page as it should be."""
    parts = [_TOP]
    listed = formulas()
    for package, title in _PACKAGES.items():
        of = [each for each in listed if each.module.startswith(f"harness/{package}/")]
        if not of:
            continue
        parts.append(f"\n## {title}\n")
        module = ""
        for each in of:
            if each.module != module:
                module = each.module
                parts.append(f"\n`{module}`\n\n")
            summary = f" {each.summary}" if each.summary else ""
            parts.append(f"- `{each.name}`:{summary} *Source:* {each.source}\n")
    return "".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
