from __future__ import annotations

import csv
import datetime as dt
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.command import Done, started

STARTED = dt.datetime(2026, 11, 25, 6, 31, 19, tzinfo=dt.UTC)
Softwake = Callable[..., Done]


class TestShow:
    def test_the_table_of_a_release(self, softwake: Softwake, record: Callable[..., Path]) -> None:
        """A run is shown with its checks, how it ended, and the path of its record."""
        folder = record()

        run = softwake("show", "last")

        assert run.returncode == 0
        assert [line.rstrip() for line in run.stdout.splitlines()] == [
            "unit      Mount controller board",
            "serial    HRW-0007",
            "started   2026-11-25T06:31:19Z",
            "",
            "check         value ± U         limits         verdict",
            "nominal, 24 V",
            "  5 V rail    5.0130 ± 0.0035 V 4.9 V to 5.1 V pass",
            "",
            "  limits of all: not stated",
            "RELEASED: the run was completed and every check passed",
            "  the one check passed",
            "outcome completed, verdict pass, released yes",
            f"record {folder}",
        ]

    def test_a_rehearsal_releases_no_unit(
        self, softwake: Softwake, record: Callable[..., Path]
    ) -> None:
        """The screen never says that a rehearsal released something."""
        record(rehearsal=True)

        shown = softwake("show", "last").stdout

        assert "outcome completed, verdict pass, a rehearsal: it releases no unit" in shown
        assert "RELEASED" not in shown

    @pytest.mark.parametrize("outcome", ["tripped", "interrupted"])
    def test_a_run_cut_short_has_no_verdict(
        self, softwake: Softwake, record: Callable[..., Path], outcome: str
    ) -> None:
        """The screen says so in words, while the record keeps its own word for it."""
        folder = record(outcome=outcome, verdict="undecided")

        shown = softwake("show", "last").stdout

        assert f"outcome {outcome}, no verdict on the unit, released no" in shown
        assert '"verdict": "undecided"' in (folder / "run.json").read_text(encoding="utf-8")

    def test_warnings_are_shown(self, softwake: Softwake, record: Callable[..., Path]) -> None:
        """What the record warns of stands beneath how the run ended."""
        record(warnings=["The report could not be made: it is odd."])

        assert (
            "\n  warning: The report could not be made: it is odd.\n"
            in softwake("show", "last").stdout
        )

    def test_it_fits_eighty_columns(self, softwake: Softwake, record: Callable[..., Path]) -> None:
        """On a terminal of eighty columns no line but the path is longer."""
        record(reason="the unit drew more than a healthy one " * 5)

        run = softwake("show", "last", FORCE_COLOR="1", NO_COLOR="1", COLUMNS="80")

        lines = re.sub(r"\x1b\[[0-9;]*m", "", run.stdout).splitlines()
        assert max(len(line) for line in lines if not line.startswith("record ")) <= 80

    def test_a_terminal_is_given_no_foreign_commands(
        self, softwake: Softwake, record: Callable[..., Path]
    ) -> None:
        """An escape sequence in a record is shown, not obeyed."""
        record(title="\x1b]0;owned\x07\x1b[2J", reason="\x1b[8m")

        shown = softwake("show", "last").stdout

        assert "\x1b" not in shown
        assert "\\x1b]0;owned\\x07" in shown

    def test_a_pipe_that_knows_few_characters_is_no_obstacle(
        self, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """What a pipe's encoding lacks becomes a question mark."""
        record()

        words = ("results", "show", "last", "--results", str(tmp_path))
        run = started(*words, PYTHONIOENCODING="ascii")

        assert (run.returncode, run.stderr) == (0, "")
        assert "5.0130 ? 0.0035 V" in run.stdout

    def test_a_renamed_record_is_no_release(
        self, softwake: Softwake, record: Callable[..., Path]
    ) -> None:
        """Under another serial number the screen shows the unit's own, and no release."""
        folder = record()
        folder.rename(folder.with_name("20261125T063119Z-HRW-0008-0001"))

        shown = softwake("show", "last").stdout

        assert "\nserial    HRW-0007\n" in shown
        assert "NOT RELEASED: the run was completed, but its record proves no release\n" in shown
        assert "  the folder was renamed: it is called '20261125T063119Z-HRW-0008-0001'" in shown
        assert "released yes" not in shown


class TestList:
    def test_runs_that_count_for_nothing_are_marked(
        self, softwake: Softwake, record: Callable[..., Path]
    ) -> None:
        """Released, failed, rehearsed, damaged, interrupted runs and pre-checks are told apart."""
        record("0001")
        record("0002", "fail")
        record("0003", rehearsal=True)
        (record("0004") / "events.csv").write_text("", encoding="utf-8")
        (record("0005") / "run.json").unlink()
        record("0006", purpose="pre-check")
        record("0008", purpose="pre-check", rehearsal=True)
        record("0007", open_points=["BR1 was not replaced."])

        lines = softwake("list").stdout.splitlines()

        words = {line.split()[0][-4:]: line.split() for line in lines[1:]}
        assert words.pop("0008")[1:5] == ["completed", "pass", "rehearsed", "pre-check"]
        assert {digits: row[1:4] for digits, row in words.items()} == {
            "0001": ["completed", "pass", "yes"],
            "0002": ["completed", "fail", "no"],
            "0003": ["completed", "pass", "rehearsal"],
            "0006": ["completed", "pass", "pre-check"],
            "0007": ["completed", "undecided", "no"],
            "0004": ["damaged", "undecided", "no"],
            "0005": ["interrupted", "none", "no"],
        }

    def test_a_renamed_run_is_no_release(
        self, softwake: Softwake, record: Callable[..., Path]
    ) -> None:
        """A released run under another serial number is marked, and its own name is told."""
        folder = record("0001")
        folder.rename(folder.with_name("20261125T063119Z-HRW-0008-0001"))

        lines = softwake("list").stdout.splitlines()

        assert lines[1].split() == [
            *("20261125T063119Z-HRW-0008-0001", "renamed", "undecided", "no"),
            *("Mount", "controller", "board"),
        ]
        assert lines[2:] == [f"{lines[1].split()[0]} was renamed; it holds the run {folder.name}."]

    def test_older_runs_are_counted(self, softwake: Softwake, record: Callable[..., Path]) -> None:
        """A list that is not the whole one says so."""
        for digits in ("0001", "0002", "0003"):
            record(digits)

        lines = softwake("list", "--newest", "2").stdout.splitlines()

        assert len(lines) == 4
        assert lines[-1] == "1 older runs; --newest 3 shows them all."

    def test_an_empty_folder_has_no_runs(self, softwake: Softwake, tmp_path: Path) -> None:
        """A results folder without runs says so."""
        assert softwake("list").stdout == f"No runs in {tmp_path}.\n"


class TestVerify:
    def test_a_whole_record(self, softwake: Softwake, record: Callable[..., Path]) -> None:
        """A whole record verifies with exit 0."""
        folder = record()

        run = softwake("verify", "last")

        assert run.returncode == 0
        assert run.stdout.splitlines()[-1] == f"{folder.name}: whole"

    def test_a_damaged_record(self, softwake: Softwake, record: Callable[..., Path]) -> None:
        """A changed byte gives exit 1 and the file's name."""
        folder = record()
        (folder / "readings.csv").write_bytes(b"time_s")

        run = softwake("verify", folder.name)

        assert run.returncode == 1
        assert run.stdout.splitlines()[0] == "readings.csv: it differs from what was recorded"
        assert run.stdout.splitlines()[-1] == f"{folder.name}: NOT WHOLE"

    def test_a_renamed_record(self, softwake: Softwake, record: Callable[..., Path]) -> None:
        """A record under another serial number gives exit 1, and both names."""
        folder = record()
        folder.rename(folder.with_name("20261125T063119Z-HRW-0008-0001"))

        run = softwake("verify", "last")

        assert run.returncode == 1
        assert run.stdout.splitlines()[0] == (
            "the folder was renamed: it is called '20261125T063119Z-HRW-0008-0001', and holds the "
            f"run {folder.name!r} of serial number HRW-0007"
        )
        assert run.stdout.splitlines()[-1] == "20261125T063119Z-HRW-0008-0001: NOT WHOLE"

    def test_no_such_run(self, softwake: Softwake, tmp_path: Path) -> None:
        """A run that is not there gives exit 2 and one message."""
        run = softwake("verify", "2027")

        assert run.returncode == 2
        assert run.stderr == (
            f"softwake: {tmp_path}: there is no run '2027'; 'results list' names them\n"
        )


class TestExport:
    def test_readings_as_csv(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """A table for joining has run, serial number and release in front of every reading."""
        record()

        softwake("export", "last", "--to", str(tmp_path / "run.csv"))

        with (tmp_path / "run.csv").open(encoding="utf-8", newline="") as file:
            assert list(csv.DictReader(file)) == [
                {
                    "run_id": "20261125T063119Z-HRW-0007-0001",
                    "serial": "HRW-0007",
                    "outcome": "completed",
                    "verdict": "pass",
                    "released": "true",
                    "rehearsal": "false",
                    "time_s": "0.5",
                    "step": "nominal",
                    "level": "nominal",
                    "quantity": "voltage",
                    "value": "24.1",
                    "unit": "V",
                    "source": "supply",
                }
            ]

    def test_a_renamed_record_says_so_in_every_file(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """Under another serial number no export says released."""
        folder = record()
        folder.rename(folder.with_name("20261125T063119Z-HRW-0008-0001"))
        for name in ("run.csv", "run.json"):
            softwake("export", "last", "--to", str(tmp_path / name))

        with (tmp_path / "run.csv").open(encoding="utf-8", newline="") as file:
            [row] = csv.DictReader(file)
        content = json.loads((tmp_path / "run.json").read_text(encoding="ascii"))

        assert (row["serial"], row["released"]) == ("HRW-0007", "false")
        assert (content["whole"], content["run"]["released"]) == (False, False)
        assert content["problems"][0].startswith("the folder was renamed")

    def test_everything_as_json(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """The whole record fits into one file of JSON."""
        record()

        softwake("export", "last", "--to", str(tmp_path / "run.json"))

        content = json.loads((tmp_path / "run.json").read_text(encoding="ascii"))
        assert content["whole"]
        assert content["run"]["released"]
        assert [len(content[name]) for name in ("readings", "events", "checks")] == [1, 1, 1]

    @pytest.mark.parametrize("name", ["run.xlsx", "run", "there.csv"])
    def test_what_cannot_be_written_is_an_error(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path, name: str
    ) -> None:
        """An unknown kind of file, or one that is there already, gives exit 2 and no traceback."""
        record()
        (tmp_path / "there.csv").write_text("precious", encoding="utf-8")

        run = softwake("export", "last", "--to", str(tmp_path / name))

        assert (run.returncode, "Traceback" in run.stderr) == (2, False)
        assert (tmp_path / "there.csv").read_text(encoding="utf-8") == "precious"
