"""The page on qualifying does what it says."""

from __future__ import annotations

import importlib.util
import shlex
from pathlib import Path
from typing import Any

import pytest

from harness.profile.load import load_profile
from harness.qualify.rates import Summary
from harness.rehearse.faults import FAULTS, faults_of
from tests.markdown import dead_links, fenced, of, parse, whole_commands

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "qualify.md").read_text(encoding="utf-8")

#: Summaries of the published campaigns.
STORED = ROOT / "docs" / "campaigns"


def campaigns() -> Any:
    """The script that makes the tables."""
    spec = importlib.util.spec_from_file_location("campaigns", ROOT / "docs" / "campaigns.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    return script


class TestPage:
    def test_it_names_every_fault(self) -> None:
        """The page says of every fault from where it is drawn."""
        assert [name for name in FAULTS if f"`{name}`" not in TEXT] == []

    def test_its_tables_are_those_of_the_stored_campaigns(self) -> None:
        """Every figure of a table is from a stored campaign or the faults: ``make campaigns``."""
        script = campaigns()
        summaries = script.stored()

        for page in script.PAGES:
            text = (ROOT / "docs" / page).read_text(encoding="utf-8")
            assert script.with_tables(page, text, summaries) == text

    @pytest.mark.parametrize("name", sorted(path.stem for path in STORED.glob("*.json")))
    def test_a_stored_campaign_is_one_of_its_profile(self, name: str) -> None:
        """A stored campaign has the title of its profile, and faults that there are."""
        profile = load_profile(name)
        summary = Summary.from_json((STORED / f"{name}.json").read_text(encoding="utf-8"))
        kinds = {one.kind for one in (*summary.rates.faults, *summary.rates.border)}

        assert summary.profile == profile.title
        assert kinds <= set(faults_of(profile.unit.input.kind))

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
