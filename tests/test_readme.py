"""README and the pages it leads to: files load, lines run, output and tables are the program's."""

from __future__ import annotations

import datetime as dt
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

import harness
from harness.api import simulated_bench_file, simulated_unit
from harness.bench.clock import SystemClock
from harness.bench.dialect import BUILT_IN, bench_dialects
from harness.power.trip import TripReason
from harness.profile.instruments import LoadInstrument, Meter, Supply
from harness.profile.preflight import preflight
from harness.profile.steps import STEP_KINDS
from harness.rehearse.server import serve, socket_resource
from harness.rehearse.simulated_bench import SimulatedBench
from tests import markdown
from tests.markdown import (
    NOT_RUN,
    Block,
    assert_same_words,
    dead_links,
    first_cells,
    mentioned_commands,
    parse,
    parse_as_far_as_it_goes,
    shell_lines,
    softwake,
    whole_commands,
)

ROOT = Path(__file__).resolve().parents[1]
#: Of the type checker: a second run of this test takes seconds. `make clean` empties it.
CACHE = ROOT / ".mypy_cache" / "readme"
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")

#: The README is no longer than a newcomer reads; a row of its table for each fault comes on top.
MOST_LINES = 175

BLOCKS = tuple(markdown.fenced(TEXT))


def page(name: str) -> str:
    return (ROOT / "docs" / f"{name}.md").read_text(encoding="utf-8")


FILES = markdown.named_files("files-by-hand", tuple(markdown.fenced(page("files-by-hand"))))


def blocks(language: str, name: str) -> list[Block]:
    return markdown.of(language, markdown.fenced(page(name)))


@pytest.fixture
def workshop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the files written by hand in it, and we are there."""
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(ROOT))  # for processes that are started from here
    return tmp_path


class TestFiles:
    def test_the_profile_loads(self, workshop: Path) -> None:
        """The example of a profile loads as it stands."""
        profile = harness.load_profile(workshop / "board.toml")

        assert profile.unit.input.bulk_capacitance_f == pytest.approx(470e-6)

    def test_the_bench_takes_the_dialect_beside_it(self, workshop: Path) -> None:
        """The bench file loads and finds the dialect of the reader's own in its own folder."""
        dialects = bench_dialects(harness.load_bench(workshop / "bench-2.toml"))

        assert dialects["supply"].message("set_voltage", 24.0) == "SOUR1:VOLT 24.000"

    def test_nothing_speaks_against_the_plan(self, workshop: Path) -> None:
        """Profile, bench and dialect fit together: pre-flight finds no reason against a run."""
        bench = harness.load_bench(workshop / "bench-2.toml")
        plan = harness.plan_for(harness.load_profile(workshop / "board.toml"), bench)

        assert preflight(plan, today=dt.date(2026, 11, 25)).reasons == ()


class TestCommands:
    @pytest.mark.parametrize("line", dict.fromkeys(whole_commands(BLOCKS)))
    def test_each_line_is_a_whole_command(self, line: str) -> None:
        """Each line to type names a command that is there, its options, and all it needs."""
        parse(shlex.split(line)[1:])

    @pytest.mark.parametrize("line", dict.fromkeys(mentioned_commands(TEXT)))
    def test_each_command_in_a_sentence_is_there(self, line: str) -> None:
        """Each command in a sentence is there with its options, arguments or not."""
        parse_as_far_as_it_goes(line)

    def test_a_wrong_option_would_be_found(self) -> None:
        """The parser used here refuses an option that is not there."""
        with pytest.raises(Exception, match="No such option"):
            parse(["results", "show", "last", "--nothing"])

    def test_the_lines_run_in_their_order(self, workshop: Path) -> None:
        """Each line that energises nothing runs in its order and ends as the text lets expect."""
        ended = {
            line: softwake(line)[1]
            for line in shell_lines(BLOCKS)
            if line.startswith("softwake ") and not NOT_RUN.search(line)
        }

        assert workshop.is_dir()
        assert len(ended) >= 5
        assert {line for line, code in ended.items() if code} == {
            "softwake rehearse --fault shorted-varistor"
        }

    def test_a_first_unit_takes_five_commands(self) -> None:
        """From nothing to a run there are five lines, the first of which writes a file."""
        section = TEXT.partition("## A first unit in five commands")[2]
        first, *_, last = lines = shell_lines(markdown.fenced(section))[:5]

        assert first.startswith("softwake new ")
        assert last.startswith("softwake run ")
        assert [line.split()[1] for line in lines] == ["new", "rehearse", "new", "plan", "run"]

    def test_make_has_these_targets(self) -> None:
        """Each `make` target that is named is in the Makefile."""
        makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
        targets = set(re.findall(r"^([a-z]+):", makefile, re.MULTILINE))
        named = set(re.findall(r"\bmake ([a-z]+)(?= ARGS|`|\n)", TEXT))

        assert {"rehearse", "test"} <= named <= targets

    def test_the_lines_without_make_name_what_is_there(self) -> None:
        """The set-up by hand uses the constraints and the extra that the project has."""
        project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
        by_hand = [block for block in BLOCKS if "-m venv" in block.text]

        assert [block.language for block in by_hand] == ["sh", "bat"]
        for block in by_hand:
            assert len(block.text.splitlines()) == 3
            [constraints, extra] = re.search(r"-c (\S+) -e '?\.\[(\w+)\]", block.text).groups()  # type: ignore[union-attr]
            assert (ROOT / constraints).is_file()
            assert extra in project["optional-dependencies"]


class TestOutput:
    @pytest.mark.parametrize(
        "block",
        [block for block in blocks("text", "first-rehearsal") if block.text.startswith("$ ")],
    )
    def test_the_pasted_output_is_what_is_printed(self, workshop: Path, block: Block) -> None:
        """What the guide shows of a rehearsal is what that rehearsal prints."""
        assert workshop.is_dir()
        line, _, shown = block.text.partition("\n")
        printed, _ = softwake(line.removeprefix("$ "))

        assert_same_words(shown, printed)

    def test_the_pasted_plan_is_what_is_printed(self, workshop: Path) -> None:
        """The table of levels is the plan of the example on its bench."""
        assert workshop.is_dir()
        [shown] = [block for block in blocks("text", "run") if block.text.startswith("Step ")]
        printed, _ = softwake("softwake plan board.toml")
        rows = [" ".join(line.split()) for line in printed.splitlines()]

        assert [
            line for line in shown.text.splitlines() if " ".join(line.split()) not in rows
        ] == []


class TestPython:
    def test_the_rehearsal_runs_in_ten_lines(
        self, workshop: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """The first script rehearses the example and prints its checks."""
        script, *_ = blocks("python", "python")

        assert len(script.text.splitlines()) <= 10
        execute(script, {})
        assert capsys.readouterr().out.startswith("completed pass ")
        assert len(list((workshop / "results").iterdir())) == 1

    def test_the_campaign_counts_every_class(
        self, workshop: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """The second script carries the example out on healthy and faulty units and counts them."""
        profile = harness.load_profile(workshop / "board.toml")
        execute(blocks("python", "python")[1], {"harness": harness, "profile": profile})

        printed = capsys.readouterr().out
        assert re.search(r"^healthy +released +30$", printed, re.MULTILINE)
        assert re.search(r"^[a-z-]+ +rejected +\d$", printed, re.MULTILINE)

    def test_the_real_run_runs_on_served_instruments(
        self, workshop: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """The third script takes a unit to its release over real links and a real clock."""
        quick = (workshop / "board.toml").read_text(encoding="utf-8").replace('"1 s"', '"0.1 s"')
        (workshop / "board.toml").write_text(quick.replace('"2 s"', '"0.2 s"'), encoding="utf-8")
        profile = harness.load_profile("board.toml")
        simulated = simulated_bench_file(profile)
        bench = SimulatedBench(simulated_unit(profile), simulated, SystemClock())
        with serve(bench.devices, dict.fromkeys(bench.devices, 0)) as ports:
            text = simulated.text
            for resource, port in ports.items():
                text = text.replace(f'"{resource}"', f'"{socket_resource(port)}"')
            (workshop / "bench-2.toml").write_text(text, encoding="utf-8")
            execute(blocks("python", "python")[2], {"harness": harness, "profile": profile})

        assert capsys.readouterr().out == "released\n"
        assert not bench.circuit.source_on
        [folder] = (workshop / "results").glob("*-HRW-0012-*")
        told = harness.record.load(folder).run
        assert told["released"]
        assert told["rehearsal"]  # the instruments say that they are simulated: no unit is released

    @pytest.mark.repeat
    @pytest.mark.torture
    def test_the_example_is_typed(self, tmp_path: Path) -> None:
        """A reader's script that does what the page shows passes a strict type check."""
        script = tmp_path / "script.py"
        script.write_text(
            "\n".join(block.text for block in blocks("python", "python")), encoding="utf-8"
        )
        check = subprocess.run(
            [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(CACHE), str(script)],
            cwd=ROOT,
            capture_output=True,
            encoding="utf-8",
            check=False,
        )

        assert check.returncode == 0, check.stdout + check.stderr


class TestTables:
    def test_every_trip_reason_is_explained(self) -> None:
        """The table of trip reasons has each reason once, and no other."""
        assert sorted(first_cells(page("run"), "| reason |")) == sorted(TripReason)

    def test_every_key_of_an_instrument_is_named(self) -> None:
        """A key of an instrument is in the example of a bench file or in the table beneath it."""
        keys = {
            field.alias or name
            for role in (Supply, Meter, LoadInstrument)
            for name, field in role.model_fields.items()
        }
        example = tomllib.loads(FILES["bench-2.toml"])
        shown = {*example["supply"], *example["meter"]}

        assert sorted(first_cells(page("files-by-hand"), "| further key |")) == sorted(keys - shown)

    def test_every_kind_of_step_is_named(self) -> None:
        """The list of steps names each kind that can be carried out, and no other."""
        text = page("files-by-hand")
        [named] = re.findall(r"^- Ten kinds of step: (.*?)\. \[", text, re.MULTILINE | re.DOTALL)

        assert sorted(re.findall(r"`(\w+)`", named)) == sorted(STEP_KINDS)

    def test_every_built_in_dialect_is_named(self) -> None:
        """The dialects that come with the program are named, and no other."""
        text = page("files-by-hand")
        told = r"^\w+ come with the program: (.*?)\. "
        [line] = re.findall(told, text, re.MULTILINE | re.DOTALL)

        assert sorted(re.findall(r"`([\w-]+)`", line)) == sorted(BUILT_IN)

    def test_the_exit_codes_are_those_of_the_design(self) -> None:
        """The table of exit codes has each code a run or an error can end with."""
        [table] = re.findall(r"^\| code \|.*?\n\n", page("run"), re.MULTILINE | re.DOTALL)

        codes = [int(code) for code in re.findall(r"\b\d{1,3}\b(?=[ ,][^|\n]*\|)", table)]
        assert [code for code in codes if code in {*range(7), 130, 143}] == [*range(7), 130, 143]


class TestText:
    def test_it_is_short(self) -> None:
        """The README keeps to what a newcomer needs; the rest stands in `docs/`."""
        lines = [line for line in TEXT.splitlines() if not line.startswith("| `")]

        assert len(lines) <= MOST_LINES

    def test_both_commands_stand_there(self) -> None:
        """The two commands to begin with are lines to type."""
        assert {"make rehearse", "make test"} <= set(shell_lines(BLOCKS))

    def test_cautions_come_before_the_first_command(self) -> None:
        """What can kill is said before anything can be typed."""
        assert TEXT.index("can kill") < TEXT.index("```")
        for words in ("RCD (GFCI)", "Eye protection", "hands clear", "Discharge", "Local codes"):
            assert TEXT.index(words) < TEXT.index("```")

    def test_it_calls_nothing_safe(self) -> None:
        """The README keeps to what was measured, as the program does."""
        assert re.findall(r"\bsafe(?:ly)?\b", TEXT, re.IGNORECASE) == []

    def test_links_lead_somewhere(self) -> None:
        """Each link goes to a file of the project or to a heading of the page."""
        assert dead_links(TEXT, ROOT) == []

    def test_named_paths_exist(self) -> None:
        """Each path into the project that stands here or in the guide is there."""
        pages = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md"))
        named = re.findall(r"`((?:profiles|harness|tests|results|\.ci)/[\w./-]*)`", TEXT + pages)

        assert named
        assert [path for path in named if not (ROOT / path).exists()] == []


def execute(block: Block, names: dict[str, Any]) -> None:
    """Run a block as Python, with the page's own line numbers in a traceback."""
    exec(compile("\n" * (block.line - 1) + block.text, "python.md", "exec"), names)  # noqa: S102
