"""The page on qualifying does what it says."""

from __future__ import annotations

import importlib.util
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.profile.load import load_profile
from harness.qualify.study import Study
from harness.rehearse.faults import FAULTS, faults_of_unit
from tests.markdown import dead_links, fenced, of, parse, whole_commands

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "qualify.md").read_text(encoding="utf-8")

#: The published studies.
STORED = ROOT / "docs" / "campaigns"


@pytest.fixture
def campaigns(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The script that makes the tables; what it imports lies beside it."""
    monkeypatch.syspath_prepend(ROOT / "docs")
    spec = importlib.util.spec_from_file_location("campaigns", ROOT / "docs" / "campaigns.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    yield script
    sys.modules.pop("study_tables", None)


each_study = pytest.mark.parametrize("name", sorted(path.stem for path in STORED.glob("*.json")))


def study(name: str) -> Study:
    return Study.from_json((STORED / f"{name}.json").read_text(encoding="utf-8"))


class TestPage:
    def test_it_names_every_fault(self) -> None:
        """The page says of every fault from where it is drawn."""
        assert [name for name in FAULTS if f"`{name}`" not in TEXT] == []

    def test_its_tables_are_those_of_the_stored_studies(self, campaigns: Any) -> None:
        """Every figure of a table is from a stored study or the faults: ``make campaigns``."""
        studies = campaigns.stored()

        for page in campaigns.PAGES:
            text = (ROOT / "docs" / page).read_text(encoding="utf-8")
            assert campaigns.with_tables(page, text, studies) == text

    @each_study
    def test_a_stored_study_is_one_of_its_profile(self, name: str) -> None:
        """A stored study has the title of its profile, and faults that there are."""
        profile = load_profile(name)
        stored = study(name)
        kinds = {one.kind for one in (*stored.rates.faults, *stored.rates.border)}

        assert stored.profile == profile.title
        assert kinds <= set(faults_of_unit(profile.unit))

    @each_study
    def test_its_seeds_agree(self, name: str) -> None:
        """No class of units comes out otherwise by another seed: chance one in a thousand."""
        stored = study(name)

        assert len(stored.seeds) >= 3
        assert stored.agrees_least()[1] > 1e-3

    @each_study
    def test_the_parts_of_a_study_make_its_sums(self, name: str) -> None:
        """Faults add up to all clearly faulty units, seeds to each fault."""
        stored = study(name)
        rates = stored.rates

        assert sum(one.released.count for one in rates.faults) == rates.clear.released.count
        for one in rates.faults:
            by_seed = stored.by_seed[one.kind]
            assert sum(each.count for each in by_seed) == one.released.count
            assert sum(each.total for each in by_seed) == one.units
        assert rates.faulty.units == rates.clear.units + rates.marginal.units

    @each_study
    def test_the_page_has_every_part_beside_the_sum(self, name: str, campaigns: Any) -> None:
        """For each fault and profile the page has released, drawn, and the worst law's figure."""
        (called, _), stored = campaigns.STUDIES[name], study(name)
        table = TEXT.partition(f"<!-- table: {called} -->")[2].partition("<!-- end -->")[0]
        rows = {line.split("`")[1]: line for line in table.splitlines() if line.startswith("| `")}

        assert rows.keys() == {one.kind for one in (*stored.rates.faults, *stored.rates.border)}
        for one in stored.rates.faults:
            assert f"{one.released.count or 'none'} of {one.units}," in rows[one.kind]
            if (worst := stored.worst(one.kind)) is not None:
                assert f"`{worst.law}` {worst.value:g}" in rows[one.kind]
        assert "**all faulty drawn**" in table

    @each_study
    def test_healthy_units_keep_to_the_goal(self, name: str) -> None:
        """Under the usual laws fewer than 1 % of the healthy units are held."""
        assert study(name).rates.healthy.not_released.frac < 1e-2

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
        assert "units=60, workers=2" in script.text
        # this test has no file to spawn, and no time for all of them
        fewer = script.text.replace("units=60, workers=2", "units=8, workers=1")
        exec(compile(fewer, "qualify.md", "exec"), {"__name__": "__main__"})  # noqa: S102

        printed = capsys.readouterr().out
        assert "healthy" in printed
        assert "released" in printed
