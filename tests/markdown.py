"""What the pages of the project show: files to write, lines to type, and the sentences between."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from harness.cli.main import app

__all__ = [
    "NOT_RUN",
    "Block",
    "assert_same_words",
    "dead_links",
    "fenced",
    "first_cells",
    "mentioned_commands",
    "named_files",
    "of",
    "parse",
    "parse_as_far_as_it_goes",
    "prose",
    "shell_lines",
    "softwake",
    "whole_commands",
]

#: Commands that wait for a bench, for answers or for a released unit, or that the reader does with
#: a hand on the switch.
NOT_RUN = re.compile(
    r"softwake (run|bench) |softwake new (?!.*--yes)|--bench |--listen|--pdf"
    r"|results label (?!.*--rehearsal)"
)

#: Figures that are printed may differ so much from those pasted, or by one and a half of their last
#: digit: noise is seeded, the last digit of a computation is a matter of the machine.
AGREEMENT = 1e-3

_FENCED = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block: its language, the line its text begins at, and the text."""

    language: str
    line: int
    text: str


def fenced(text: str) -> Iterator[Block]:
    """Yield the fenced blocks of a page."""
    for match in _FENCED.finditer(text):
        yield Block(match[1], text.count("\n", 0, match.start()) + 2, match[2])


def of(language: str, blocks: Iterable[Block]) -> list[Block]:
    """Return the blocks of one language."""
    return [block for block in blocks if block.language == language]


def prose(text: str) -> str:
    """Return a page without its fenced blocks."""
    return _FENCED.sub("", text)


def named_files(page: str, blocks: Iterable[Block]) -> dict[str, str]:
    """Return the TOML examples by the name in their first line."""
    files = {}
    for block in of("toml", blocks):
        name = re.match(r"# ([\w-]+\.toml): ", block.text)
        assert name is not None, f"{page}:{block.line}: its first line names no file"
        files[name[1]] = block.text
    return files


def shell_lines(blocks: Iterable[Block]) -> list[str]:
    """Return the lines to type."""
    return [line for block in of("sh", blocks) for line in block.text.splitlines() if line]


def whole_commands(blocks: Sequence[Block]) -> list[str]:
    """Return each `softwake ...` that can be typed as it stands: shell lines and sessions."""
    sessions = [
        line.removeprefix("$ ")
        for block in of("text", blocks)
        for line in block.text.splitlines()
        if line.startswith("$ ")
    ]
    return [line for line in (*shell_lines(blocks), *sessions) if line.startswith("softwake ")]


def mentioned_commands(text: str) -> list[str]:
    """Return each `softwake ...` in a sentence, which may leave out what a command needs."""
    return re.findall(r"`(softwake [^`]+)`", prose(text))


def first_cells(text: str, heading: str) -> list[str]:
    """Return what stands in code marks in the first column of the table with this heading."""
    lines = iter(text.splitlines())
    assert any(line.startswith(heading) for line in lines), heading
    next(lines)
    cells: list[str] = []
    for line in lines:
        if not line.startswith("|"):
            break
        cells += re.findall(r"`([\w.]+)`", line.split("|")[1])
    return cells


def parse(arguments: Sequence[str]) -> None:
    """Have the command line read its arguments, to the last option, and do nothing."""
    command: Any = typer.main.get_command(app)
    context, rest = None, list(arguments)
    while True:
        context = command.make_context(command.name, rest, parent=context)
        if not hasattr(command, "resolve_command"):
            return
        _, command, rest = command.resolve_command(
            context, [*context._protected_args, *context.args]
        )


def parse_as_far_as_it_goes(line: str) -> None:
    """Have a command of a sentence read: it may leave out what the command needs."""
    try:
        parse(shlex.split(line)[1:])
    except Exception as error:  # typer keeps the classes to itself
        if type(error).__name__ not in {"MissingParameter", "NoArgsIsHelpError"}:
            raise


def softwake(line: str) -> tuple[str, int]:
    """Run a command line in the folder we are in; return what it printed and its exit code."""
    result = CliRunner().invoke(app, shlex.split(line)[1:], catch_exceptions=False)
    return result.output, result.exit_code


def dead_links(text: str, folder: Path) -> list[str]:
    """Return the links that lead to no file, seen from a folder, and to no heading of the page."""
    headings = {
        re.sub(r"[^\w -]", "", heading).strip().lower().replace(" ", "-")
        for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    }
    return [
        target
        for target in re.findall(r"\]\(([^)]+)\)", text)
        if not (
            target[1:] in headings
            if target.startswith("#")
            else (folder / target.partition("#")[0]).is_file()
        )
    ]


def assert_same_words(shown: str, printed: str) -> None:
    """Compare word by word; figures may differ a little, the name of the record altogether."""
    left, right = _words(shown), _words(printed)
    assert len(left) == len(right), printed
    for ours, theirs in zip(left, right, strict=True):
        if ours != theirs:
            digits = max(len(ours.partition(".")[2]), len(theirs.partition(".")[2]))
            last = 1.5 * 10.0**-digits
            assert float(ours) == pytest.approx(float(theirs), rel=AGREEMENT, abs=last), printed


def _words(text: str) -> list[str]:
    text = re.sub(r"results[/\\]\d{8}T\d{6}Z-REHEARSAL-[0-9a-f]{4}", "RECORD", text)
    return re.sub(r"CONFIRMED \d\d:\d\d:\d\d", "CONFIRMED TIME", text).split()
