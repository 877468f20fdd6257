"""Instruments that answer in their own way: found before power by a whole run, or no matter."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from harness.bench import dialect
from tests.acceptance.conftest import ROOT
from tests.outside.partner import OutsideBench

PROFILE = """
title = "Board"
[unit]
protection_class = "III"
input = { kind = "dc", nominal = "24 V", tolerance = "10 %", current = "1.2 A", bulk_capacitance = "470 uF", idle_power = "0.6 W" }
[envelope]
voltage = "26.4 V"
current = "1.5 A"
power = "36 W"
[[steps]]
kind = "start"
levels = ["100 %"]
current_limit = "300 mA"
dwell = "50 ms"
[[steps.checks]]
name = "5 V rail"
measure = "meter.voltage_dc"
low = "4.9 V"
high = "5.1 V"
"""  # noqa: E501 - a table of a file


def carried_out(folder: Path, bench: OutsideBench) -> tuple[int, str]:
    """Run the profile on a bench in a process of its own; return exit code and screen."""
    profile = folder / "board.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    ended = subprocess.run(
        [
            *(sys.executable, "-m", "harness", "run", str(profile), "--bench", str(bench.file)),
            *("--serial", "HRW-0007", "--results", str(folder / "results"), "--yes"),
        ],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "1000"},
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    return ended.returncode, ended.stdout + ended.stderr


def own_dialect(folder: Path, name: str, lines: list[str]) -> None:
    """Copy a built-in dialect and write lines into it, as the screen has told."""
    text = (Path(dialect.__file__).parent / "dialects" / f"{name}.toml").read_text(encoding="utf-8")
    apart = [line for line in lines if line.startswith("separator")]
    text = text.replace("[sample]\n", "\n".join(["[sample]", *apart, ""]))
    text += "\n".join(["[answers]", *(line for line in lines if line not in apart), ""])
    (folder / "own.toml").write_text(text.replace(f'"{name}"', '"own"'), encoding="utf-8")


class TestAnswersOfTheirOwn:
    @pytest.mark.parametrize(
        ("name", "built_in"),
        [
            pytest.param("answer-with-unit", "scpi-meter"),
            pytest.param("commas-between-answers", "scpi-dc-supply", marks=pytest.mark.torture),
            pytest.param("supply-answer-with-unit", "scpi-dc-supply", marks=pytest.mark.torture),
        ],
    )
    def test_are_refused_before_power_and_cured_by_the_line_that_is_told(
        self, tmp_path: Path, name: str, built_in: str
    ) -> None:
        """What cannot be read is exit code 5 with the dialect's line; with it the run releases."""
        config = {"load": False, "misbehaviours": [{"name": name}]}
        with OutsideBench(tmp_path / "bench", config) as bench:
            refused, told = carried_out(tmp_path, bench)
            switched_on = bench.control("log")["log"]
            own_dialect(
                tmp_path / "bench",
                built_in,
                re.findall(r'(?:separator|measure_\w+) = "[^"]*"', told),
            )
            text = bench.file.read_text(encoding="utf-8").replace(built_in, "own.toml")
            bench.file.write_text(text, encoding="utf-8")
            released, screen = carried_out(tmp_path, bench)

        assert (refused, released) == (5, 0), told + screen
        assert "under [" in told
        assert not [each for each in switched_on if each["what"] == "power" and each["on"]]
        assert bench.was_on
        assert not bench.left_on

    @pytest.mark.torture
    @pytest.mark.parametrize("name", ["quoted-state", "questionable-bit-in-constant-current"])
    def test_what_changes_nothing_releases(self, tmp_path: Path, name: str) -> None:
        """Quotes around a state, and bit 0 in constant current, stop no healthy unit."""
        config = {"load": False, "misbehaviours": [{"name": name}]}
        with OutsideBench(tmp_path / "bench", config) as bench:
            released, screen = carried_out(tmp_path, bench)

        assert released == 0, screen
        assert not bench.left_on
