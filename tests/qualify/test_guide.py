"""The page on qualifying does what it says."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from harness.rehearse.faults import FAULTS
from tests.markdown import dead_links, fenced, of, parse, whole_commands

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "qualify.md").read_text(encoding="utf-8")


class TestPage:
    def test_it_names_every_fault(self) -> None:
        """The page says of every fault from where it is drawn."""
        assert [name for name in FAULTS if f"`{name}`" not in TEXT] == []

    @pytest.mark.parametrize("line", whole_commands([*fenced(TEXT)]))
    def test_each_line_is_a_whole_command(self, line: str) -> None:
        """Each line to type names a command that is there, and its options."""
        parse(shlex.split(line)[1:])

    def test_links_lead_somewhere(self) -> None:
        """Each link goes to a file of the project or to a heading of a page."""
        assert dead_links(TEXT, ROOT / "docs") == []

    def test_the_script_counts_every_class(self, capsys: pytest.CaptureFixture[str]) -> None:
        """The example of a script runs a campaign and prints how each class ended."""
        [script] = of("python", tuple(fenced(TEXT)))
        one_process = script.text.replace(
            "workers=2", "workers=1"
        )  # this test has no file to spawn
        exec(compile(one_process, "qualify.md", "exec"), {"__name__": "__main__"})  # noqa: S102

        printed = capsys.readouterr().out
        assert "healthy" in printed
        assert "released" in printed
