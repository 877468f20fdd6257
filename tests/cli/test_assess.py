from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from harness.cli.assess import assess
from harness.errors import FileError
from harness.shipped import shipped
from harness.unit.assess import assess as assessment_of
from harness.unit.assessment import as_plain
from harness.unit.unit_file import load_unit

DEMO = "units/dome-shutter-HRW-0007"


@pytest.fixture
def wrong_varistor(tmp_path: Path) -> str:
    """The demo unit with a varistor of the 130 V class fitted, below its highest line of 132 V."""
    demo = shipped("profiles", DEMO)
    assert demo is not None
    text = demo.read_text(encoding="utf-8")
    fitted = 'fitted = { maximum_ac = "130 V", surge_current = "4500 A", energy = "46 J" }'
    path = tmp_path / "unit.toml"
    path.write_text(text.replace("replaced         = true", fitted), encoding="utf-8")
    return str(path)


def run(*arguments: str, columns: int = 80) -> Result:
    app = typer.Typer()
    app.command()(assess)
    return CliRunner().invoke(app, list(arguments), env={"COLUMNS": str(columns)})


class TestExitCode:
    @pytest.mark.parametrize("name", [DEMO, "units/mount-controller-HRW-0012"])
    def test_acceptable_replacements(self, name: str) -> None:
        """The demo units, rightly repaired, end with 0."""
        done = run(name)

        assert done.exit_code == 0
        assert "Every replacement is acceptable." in done.output

    def test_one_that_is_not(self, wrong_varistor: str) -> None:
        """A replacement that is not acceptable ends with 1, and the last line names it."""
        done = run(wrong_varistor)

        assert done.exit_code == 1
        assert done.output.splitlines()[-1].startswith("Not acceptable: VR1.")
        assert "130 V is below the highest line voltage, 132 V" in " ".join(done.output.split())

    def test_a_bad_file(self, tmp_path: Path) -> None:
        """A file that cannot be used raises the error that the command line ends with 2."""
        path = tmp_path / "unit.toml"
        path.write_text("title = 5", encoding="utf-8")
        done = run(str(path))

        assert isinstance(done.exception, FileError)
        assert done.exception.exit_code == 2


class TestScreen:
    @pytest.mark.parametrize("name", [DEMO, "units/mount-controller-HRW-0012"])
    def test_eighty_plain_columns(self, name: str) -> None:
        """Piped, the assessment keeps to eighty columns of plain characters."""
        output = run(name).output

        assert output.isascii()
        assert "\x1b" not in output
        assert max(map(len, output.splitlines())) <= 80

    def test_what_stands_where(self, wrong_varistor: str) -> None:
        """Title, story, suspicion, checks, replacements, open points, cautions: in this order."""
        output = run(wrong_varistor).output
        places = [
            output.index(words)
            for words in (
                "Dome-shutter power unit",
                "230 V AC 50 Hz (within 10 %) on a 120 V AC",
                "Suspicion",
                "Cold checks",
                "Replacements",
                "Still open",
                "Cautions",
                "Nothing was energised",
            )
        ]

        assert places == sorted(places)

    def test_a_row_of_the_table(self) -> None:
        """A row gives part, what decides, rating, stress, both ratios and the verdict."""
        rows = [" ".join(line.split()) for line in run(DEMO).output.splitlines()]

        assert "C1 bulk cap rated voltage 200 V 356 V 1.78 0.93 destroyed likely" in rows

    @pytest.mark.parametrize("columns", [40, 60, 200])
    def test_any_width(self, columns: int) -> None:
        """Nothing breaks on a narrow or a wide terminal."""
        assert run(DEMO, columns=columns).exit_code == 0


class TestJson:
    def test_the_same_as_data(self, wrong_varistor: str) -> None:
        """`--json` prints what the Python call returns, and nothing else."""
        done = run(wrong_varistor, "--json")
        content = json.loads(done.output)

        assert done.exit_code == 1
        told = as_plain(assessment_of(load_unit(wrong_varistor)))
        assert content == {"kind": "assessment", "format": 1, **json.loads(json.dumps(told))}
        assert content["acceptable"] is False

    def test_verdicts_are_their_words(self) -> None:
        """In the data a verdict is its plain words, and a stress carries its ratios."""
        content = json.loads(run(DEMO, "--json").output)
        bulk = next(part for part in content["parts"] if part["name"] == "C1")

        assert bulk["severity"] == "destroyed likely"
        assert bulk["stresses"][0]["event_ratio"] == pytest.approx((357.80 - 1.4) / 200, abs=1e-4)
        assert bulk["check"]["low"] == pytest.approx(144e-6)  # of the 180 uF fitted now
        assert {part["name"]: part["adequacy"] for part in content["replacements"]} == {
            "VR1": "equivalent",
            "F1": "better",
            "BR1": "better",
            "C1": "better",
        }


def test_a_worksheet_is_a_new_file(tmp_path: Path) -> None:
    """The page lands in a new file; what is there already, or is no page, is a plain mistake."""
    to = tmp_path / "sheet.html"

    assert run(DEMO, "--worksheet", str(to)).exit_code == 0
    assert "Cold checks before first power" in to.read_text(encoding="utf-8")
    assert run(DEMO, "--worksheet", str(to)).exit_code != 0
    assert run(DEMO, "--worksheet", str(tmp_path / "sheet.docx")).exit_code != 0
