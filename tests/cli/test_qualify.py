from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from harness.cli.main import app
from harness.errors import UsageError
from harness.qualify.rates import Summary
from harness.rehearse.laws import LAWS
from tests.command import called

DC = "mount-controller-board"


def run(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["qualify", *arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


class TestTables:
    def test_it_prints_rates_let_through_and_what_was_not_found(self, tmp_path: Path) -> None:
        """A campaign ends with rates, what went through, what nothing catches, and its files."""
        output = run(
            DC,
            *("--units", "8", "--seed", "3", "--workers", "1", "--out", str(tmp_path)),
            *("--fault", "shorted-input", "--fault", "current-limit-folded-back"),
        )

        assert "Mount controller board" in output
        assert "clearly faulty, released: 2 of 4, 6.76 to 93.2 %" in output
        assert "all faulty, released: 2 of 4, 6.76 to 93.2 %" in output
        assert "healthy, not released: 0 of 4, 0 to 60.2 %" in output
        assert "2 charge_budget" in output
        assert "current-limit-folded-back: 2 of 2 clearly faulty released" in output
        assert "no step of this profile can show it" in output
        assert "on the part by itself: nominal current drawn from the output" in output
        assert "assumptions about such units" in output
        assert "meter.voltage_dc in a load step, low limit" in output
        assert "8 units in " in output
        assert {path.name for path in tmp_path.iterdir()} - {"campaign.lock"} == {
            "campaign.json",
            "units.jsonl",
            "units.csv",
            "plot.svg",
        }

    def test_the_rates_as_json(self) -> None:
        """With --json the rates come alone, as a document that reads back as the same summary."""
        output = run(DC, "--units", "4", "--workers", "1", "--fault", "no-start", "--json")
        start = output.index("{\n")  # behind the bar, where both streams are one
        text = output[start : output.rindex("}") + 2]
        summary = Summary.from_json(text)

        assert json.loads(text)["rates"]["healthy"]["ends"]["released"]["count"] == 2
        assert (summary.units, summary.seed, summary.unit_model) == (4, 1, None)
        assert [one.kind for one in summary.rates.faults] == ["no-start"]
        assert {"kind": "rates", "format": 1, **summary.as_plain()} == json.loads(text)

    def test_a_law_at_another_number_is_named(self) -> None:
        """Under another law the tables say which, and the JSON has it."""
        given = (DC, "--units", "4", "--workers", "1", "--fault", "no-start")
        output = run(*given, "--law", "ripple_by_bulk=least", "--law", "droop=0.002")
        text = run(*given, "--law", "droop=0.002", "--json")
        summary = Summary.from_json(text[text.index("{\n") : text.rindex("}") + 2])

        assert "law ripple_by_bulk at 0, not 0.8: growth of the switching ripple" in output
        assert "law droop at 0.002, not 0.004: fall of the output" in output
        assert summary.laws == {"droop": 0.002}

    def test_laws_are_listed(self) -> None:
        """``--law list`` names every law with its range and what it rests on; nothing runs."""
        output = run(DC, "--law", "list")

        assert set(LAWS) <= set(output.split())
        assert "(assumption)" in output
        assert "units in" not in output

    @pytest.mark.parametrize(
        ("setting", "message"),
        [
            ("ripples=1", "there is no law 'ripples'"),
            ("ripple_by_bulk", "'ripple_by_bulk' is not NAME=NUMBER"),
            ("ripple_by_bulk=much", "is not NAME=NUMBER"),
            ("ripple_by_bulk=nan", "ripple_by_bulk is from 0 to 1"),
            ("ripple_by_bulk=7", "ripple_by_bulk is from 0 to 1"),
        ],
    )
    def test_a_law_that_cannot_be_is_refused(self, setting: str, message: str) -> None:
        """A name, a number or a range that is wrong is refused before anything runs."""
        with pytest.raises(UsageError, match=message):
            run(DC, "--units", "2", "--law", setting)

    def test_json_and_toml_do_not_mix(self) -> None:
        """Rates as JSON and limits as TOML on one output are refused before anything runs."""
        with pytest.raises(UsageError, match="leave one out"):
            run(DC, "--units", "2", "--suggest", "--json")

    def test_eighty_columns_are_enough(self) -> None:
        """No line of the tables is wider than 80 columns, and each has every end of every class."""
        output = run(
            "dome-shutter-power-unit",
            *("--units", "4", "--seed", "3", "--workers", "1"),
            *("--unit-model", "dome-shutter-HRW-0007"),
            *("--fault", "current-limit-folded-back", "--fault", "resistive-bulk-capacitor"),
        )
        tables = output[: output.index("healthy, not released")].splitlines()

        assert "units drawn around: Dome-shutter power unit HRW-0007, after repair" in tables
        assert max(len(line.rstrip()) for line in tables) <= 80
        assert " current-limit-folded-back     1        0        1         0       0       0" in [
            line.rstrip() for line in tables
        ]

    def test_limits_are_printed_and_never_written(self, tmp_path: Path) -> None:
        """With --suggest limits follow as TOML; the profile stays as it is."""
        from harness.profile.load import load_profile

        text = load_profile(DC).text
        path = tmp_path / "board.toml"
        path.write_text(text, encoding="utf-8", newline="")
        output = run(
            str(path),
            *("--units", "40", "--workers", "1", "--fault", "shorted-input"),
            *("--suggest", "--false-reject", "30 %"),
        )
        proposed = output[output.index("# Limits from") :].replace("[[steps.", "[[")

        assert len(tomllib.loads(proposed)["checks"]) == 4
        assert "at most 30 % of them fail one check" in proposed
        assert path.read_text(encoding="utf-8") == text

    def test_a_mistake_is_one_line_and_no_bar(self) -> None:
        """A unit model with faults is refused in one line before anything is shown as under way."""
        done = called("qualify", DC, "--unit-model", "mount-controller-HRW-0012")

        assert (done.returncode, done.stdout) == (2, "")
        (line,) = done.stderr.splitlines()
        assert line.startswith("softwake: mount-controller-HRW-0012:20: faults[0].kind: ")

    @pytest.mark.parametrize("share", ["0 %", "100 %", "a few"])
    def test_a_share_that_is_none_is_refused(self, share: str) -> None:
        """The false-reject rate lies between 0 and 100 %, and is checked before anything runs."""
        with pytest.raises(UsageError, match="--false-reject"):
            run(DC, "--units", "2", "--suggest", "--false-reject", share)


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="sends Ctrl-C as a POSIX terminal does")
class TestInterrupt:
    def test_ctrl_c_ends_it_cleanly_and_the_same_command_goes_on(self, tmp_path: Path) -> None:
        """Ctrl-C to the whole group ends with one line and 130, no worker left, no traceback."""
        out = tmp_path / "out"
        arguments = [DC, "--units", "4000", "--workers", "2", "--out", str(out)]
        process = subprocess.Popen(
            [sys.executable, "-m", "harness", "qualify", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )
        journal = out / "units.jsonl"
        deadline_s = time.monotonic() + 60
        while not (journal.exists() and journal.stat().st_size) and time.monotonic() < deadline_s:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(timeout=0.1)
            assert process.returncode is None, process.communicate()
        os.killpg(process.pid, signal.SIGINT)
        # Workers hold the same pipes: that these are closed says that no worker is left.
        _, said = process.communicate(timeout=60)

        assert process.returncode == 130
        assert said.splitlines()[-1].startswith("softwake: stopped by SIGINT; the same command")
        assert "Traceback" not in said
        assert journal.read_text(encoding="utf-8").endswith("\n")
