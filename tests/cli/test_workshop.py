"""The daily line: what the workshop's files, the environment and a shell fill in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from harness.cli.main import app
from tests.command import Done, called, started


@pytest.fixture
def bench_folder(tmp_path: Path) -> Path:
    """Return an empty folder to stand in, with the user's settings beside it."""
    folder = tmp_path / "bench"
    folder.mkdir()
    return folder


def softwake(folder: Path, *words: str, **environment: str) -> Done:
    """Call a command in a folder; the user's settings are in ``config`` beside it."""
    return called(*words, cwd=folder, **settings(folder), **environment)


def settings(folder: Path) -> dict[str, str]:
    """Return the environment that leads to them."""
    return {"XDG_CONFIG_HOME": str(folder.parent / "config"), "NO_COLOR": "1"}


def write(folder: Path, text: str) -> None:
    """Write a file of the workshop into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "softwake.toml").write_text(text, encoding="utf-8")


class TestWhereItComesFrom:
    def test_the_file_of_the_folder(self, bench_folder: Path) -> None:
        """Operator and results come from softwake.toml; the record says so."""
        write(bench_folder, 'results = "records"\noperator = "K. Marlow"\n')

        done = softwake(bench_folder, "rehearse", "mount-controller-board")

        assert done.returncode == 0
        shown = softwake(bench_folder, "results", "show", "last").stdout
        assert "operator  K. Marlow" in shown
        assert len([*(bench_folder / "records").iterdir()]) == 1

    def test_the_user_s_file_for_what_that_leaves_out(self, bench_folder: Path) -> None:
        """A relative path begins at the folder of the file it stands in."""
        write(bench_folder.parent / "config" / "softwake", 'results = "kept"\noperator = "A"\n')
        write(bench_folder, 'operator = "B"\n')

        told = softwake(bench_folder, "rehearse", "--help").stdout

        assert "default: B" in told
        kept = bench_folder.parent / "config" / "softwake" / "kept"
        assert str(kept) in "".join(told.split())

    def test_the_environment_comes_before_the_files_and_an_option_first(
        self, bench_folder: Path
    ) -> None:
        """One order for all three."""
        write(bench_folder, 'results = "of-the-file"\n')
        there = {"SOFTWAKE_RESULTS": "of-the-environment"}

        listed = softwake(bench_folder, "results", "list", **there)
        named = softwake(bench_folder, "results", "list", "--results", "of-the-line", **there)

        assert "of-the-environment" in listed.stderr
        assert "of-the-line" in named.stderr

    def test_a_bench_for_all_commands_that_take_one(self, bench_folder: Path) -> None:
        """The name of a shipped bench, or a file beside the settings."""
        write(bench_folder, 'bench = "bench-simulated-dc"\nresults = "r"\n')

        plan = softwake(bench_folder, "plan", "mount-controller-board")
        words = ("run", "mount-controller-board", "--serial", "HRW-0012", "--yes")
        run = started(*words, cwd=bench_folder, **settings(bench_folder))

        assert "Bench: Simulated bench, DC." in plan.stdout
        assert run.returncode == 5  # nobody serves it
        assert "cannot be opened" in run.stdout

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ('bensh = "b.toml"\n', "did you mean 'bench'"),
            ("operator = 3\n", "softwake.toml:1: operator: expected text"),
            ('bench = "b', "no valid TOML"),
            ('bench = "nowhere.toml"\n', "nowhere.toml: there is no such file"),
        ],
    )
    def test_a_mistake_is_told_and_nothing_begins(
        self, bench_folder: Path, text: str, told: str
    ) -> None:
        """With the place, and exit 2."""
        write(bench_folder, text)

        done = softwake(bench_folder, "bench")

        assert done.returncode == 2
        assert told in done.stderr


class TestSerial:
    def run(self, folder: Path, typed: str) -> Done:
        """Run without ``--serial``, on a bench that nobody serves."""
        words = ("run", "mount-controller-board", "--bench", "bench-simulated-dc", "--yes")
        return started(*words, "--results", "r", cwd=folder, typed=typed, **settings(folder))

    def test_a_scanner_types_it_and_enter(self, bench_folder: Path) -> None:
        """Enter alone asks again: no serial number is made up."""
        done = self.run(bench_folder, "\nHRW-0012\n")

        assert done.returncode == 5
        assert "expected text, found none" in done.stdout
        (record,) = (bench_folder / "r").iterdir()
        assert "-HRW-0012-" in record.name

    def test_nobody_answers(self, bench_folder: Path) -> None:
        """Refused before anything is opened, and no record made."""
        done = self.run(bench_folder, "")

        assert done.returncode == 2
        assert "--serial: no serial number" in done.stderr
        assert not (bench_folder / "r").exists()

    def test_a_unit_file_takes_none_from_enter(self, bench_folder: Path) -> None:
        """Without a serial number there is no unit file."""
        done = softwake(bench_folder, "new", "unit", "--yes")

        assert done.returncode == 2
        assert "--serial" in done.stderr
        assert not (bench_folder / "unit.toml").exists()


@pytest.mark.parametrize(
    "words", [[], ["run"], ["rehearse"], ["results"], ["results", "list"], ["new", "profile"]]
)
def test_help_by_one_letter(words: list[str]) -> None:
    """``-h`` is ``--help`` everywhere."""
    short, long = (CliRunner().invoke(app, [*words, flag]) for flag in ("-h", "--help"))

    assert short.exit_code == 0
    assert short.output == long.output
    assert "Usage: " in short.output


@pytest.fixture
def offered(bench_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], list[str]]:
    """Return a function that completes the last word of a line, as bash would ask."""
    monkeypatch.chdir(bench_folder)

    def complete(line: str) -> list[str]:
        asked = {
            "_SOFTWAKE_COMPLETE": "complete_bash",
            "COMP_WORDS": line,
            "COMP_CWORD": f"{line.count(' ')}",
        }
        return CliRunner().invoke(app, [], prog_name="softwake", env=asked).output.split()

    return complete


class TestCompletion:
    @pytest.mark.parametrize(
        ("line", "words"),
        [
            ("softwake pl", ["plan"]),
            ("softwake plan dome-shutter-p", ["dome-shutter-power-unit"]),
            (
                "softwake run x --bench b",
                ["bench-by-hand", "bench-simulated-ac", "bench-simulated-dc"],
            ),
            ("softwake rehearse --fault shorted-v", ["shorted-varistor"]),
            ("softwake assess dome", ["dome-shutter-HRW-0007"]),
        ],
    )
    def test_words(self, offered: Callable[[str], list[str]], line: str, words: list[str]) -> None:
        """Commands, shipped files and faults."""
        assert offered(line) == words

    def test_files_beside_shipped_ones(
        self, bench_folder: Path, offered: Callable[[str], list[str]]
    ) -> None:
        """A file of the folder is offered by its path; a mistake in the workshop's file is not."""
        (bench_folder / "domestic.toml").touch()
        (bench_folder / "dome.txt").touch()
        write(bench_folder, "mistaken")

        assert offered("softwake plan domes") == ["domestic.toml"]
        assert offered("softwake results show l") == []

    def test_records_of_the_workshop(
        self, bench_folder: Path, offered: Callable[[str], list[str]]
    ) -> None:
        """By the folder that softwake.toml or the environment names."""
        write(bench_folder, 'results = "kept"\n')
        name = "20261127T101500Z-HRW-0012-0a1b"
        (bench_folder / "kept" / name).mkdir(parents=True)

        assert offered("softwake results show 2026") == [name]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell"])
def test_a_script_for_each_shell(bench_folder: Path, shell: str) -> None:
    """It can be printed, to be read before it is installed; it calls the command by its name."""
    told = {"_TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION": "1"}

    done = softwake(bench_folder, "--show-completion", shell, **told)

    assert done.returncode == 0
    assert "_SOFTWAKE_COMPLETE" in done.stdout
