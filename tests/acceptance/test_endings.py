"""The last line of a run, what the screen says while power is on, and output that nobody takes."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.acceptance.conftest import BOARD_PROFILE, ROOT, Campaign, ServedBench

TIME = r"\d\d:\d\d:\d\d"


def command(bench: ServedBench) -> list[str]:
    """Return the run of a test's bench as a command line."""
    return [sys.executable, "-m", "harness", *bench.words]


class TestScreen:
    def test_it_says_that_power_is_on_and_how_it_ended(self, campaign: Campaign) -> None:
        """Power on and off are a line each, and the last line confirms that the output is off."""
        with campaign.bench(BOARD_PROFILE) as bench, campaign.run(bench) as running:
            assert bench.wait(on=True, longest_s=30.0)
            live = running.screen.read_text(encoding="utf-8").splitlines()
            ended = running.end()

        said = next(line for line in live if line.startswith("POWER ON "))
        assert re.fullmatch(rf"POWER ON {TIME}, start\. Ctrl-C switches off\.", said)
        lines = ended.screen.splitlines()
        [off] = [line for line in lines if re.fullmatch(rf"OUTPUT OFF {TIME}", line)]
        between = lines[lines.index(said) + 1 : lines.index(off)]
        assert between
        told_off = "output off  power off: confirmed"  # may come before or after the line itself
        assert [line for line in between if "POWER ON" not in line and told_off not in line] == []
        assert re.fullmatch(rf"SIMULATED OUTPUT OFF, CONFIRMED {TIME}", lines[-1])
        assert ended.run["output"] == "off, confirmed"
        assert ended.run["off_confirmed_utc"].endswith("+00:00")

    def test_an_output_that_stays_on_is_told_first_and_ends_in_6(self, campaign: Campaign) -> None:
        """Where off cannot be confirmed: to cut the mains, then why; a code and a record so."""
        with campaign.bench(BOARD_PROFILE) as bench, campaign.run(bench) as running:
            assert bench.wait(on=True, longest_s=30.0)
            bench.links["supply"].inject("output-stays-on")
            ended = running.end()
            bench.links["supply"].heal()
            assert bench.wait(on=False, longest_s=5.0)

        assert ended.code == 6, ended.screen
        assert ended.run["outcome"] == "tripped"
        assert ended.run["released"] is False
        assert ended.run["output"] == "may still be on"
        assert ended.run["off_confirmed_utc"] is None
        assert ended.run["reason"].startswith("POWER MAY STILL BE ON: ")
        lines = ended.screen.splitlines()
        first = lines.index("CUT THE MAINS OF THE SUPPLY NOW")
        assert "OUTPUT OFF" not in "".join(lines[:first]).rpartition("POWER ON ")[2]
        assert "COULD NOT BE CONFIRMED" in ended.screen
        assert f"record {ended.record}" in lines
        assert "OUTPUT OFF, CONFIRMED" not in ended.screen


@pytest.mark.skipif(sys.platform == "win32", reason="devices and pipes of POSIX systems")
class TestOutputThatNobodyTakes:
    @pytest.mark.torture
    def test_a_full_device_holds_up_no_run(self, campaign: Campaign) -> None:
        """With nowhere to print, the run goes on to its end and keeps its own exit code."""
        with campaign.bench(BOARD_PROFILE) as bench, Path("/dev/full").open("wb") as full:
            done = subprocess.run(
                command(bench),
                cwd=ROOT,
                stdout=full,
                stderr=subprocess.PIPE,
                encoding="utf-8",
                timeout=60.0,
                check=False,
            )

            assert not bench.on
        assert done.returncode == 0, done.stderr
        assert done.stderr == (
            "softwake: output was lost, because it cannot be written: No space left on device\n"
        )

    def test_a_pipe_that_nobody_reads_holds_no_power(self, campaign: Campaign) -> None:
        """A full pipe delays what is printed, and neither the run nor the way to power off."""
        reader, writer = os.pipe()
        os.set_blocking(writer, False)
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(writer, b"\0" * 4096)
        os.set_blocking(writer, True)
        with campaign.bench(BOARD_PROFILE) as bench:
            process = subprocess.Popen(command(bench), cwd=ROOT, stdout=writer)
            os.close(writer)
            try:
                assert bench.wait(on=True, longest_s=30.0)
                assert bench.wait(on=False, longest_s=30.0)
                assert process.poll() is None  # it still has its table to print
                os.close(reader)
                assert process.wait(timeout=20.0) == 0
            finally:
                process.kill()

    def test_a_pipe_that_had_enough_ends_it_quietly(self, campaign: Campaign) -> None:
        """Where the reader goes after a line, the run ends as it would, without a word."""
        with campaign.bench(BOARD_PROFILE) as bench:
            process = subprocess.Popen(
                command(bench), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE
            )
            assert process.stdout is not None
            assert process.stderr is not None
            while not process.stdout.readline().startswith(b"POWER ON"):
                assert process.poll() is None
            process.stdout.close()
            try:
                assert process.wait(timeout=60.0) == 0
                assert process.stderr.read() == b""
            finally:
                process.kill()
                process.stderr.close()
            assert not bench.on


#: Becomes the command, with less of something than it may need.
LIMITED = """
import resource, sys
kind, most = getattr(resource, sys.argv.pop(1)), int(sys.argv.pop(1))
resource.setrlimit(kind, (most, most))
from harness.cli.main import main
main()
"""


def ends_well(campaign: Campaign, case: tuple[str, int]) -> list[str]:
    """Run with less than may be needed; return what was wrong with the end."""
    kind, most = case
    with campaign.bench(BOARD_PROFILE) as bench:
        with campaign.run(bench, LIMITED, kind, str(most)) as running:
            ended = running.end()
        on = bench.on
        energised = bool(bench.switched)
    found = []
    if on:
        found.append("the output is on at the end")
    if "Traceback" in ended.screen or "an error of the program" in ended.screen:
        found.append("a traceback")
    if ended.code == 0 and ended.run.get("outcome") != "completed":
        found.append("exit code 0 without a completed run")
    if ended.code not in ({0, 3} if energised else {0, 2, 5}):
        found.append(f"exit code {ended.code}")
    return [f"{kind} {most}: {what}\n{ended.screen}" for what in found]


@pytest.mark.skipif(sys.platform != "linux", reason="limits of a POSIX system, as Linux keeps them")
class TestScarceMeans:
    @pytest.mark.torture
    def test_few_files(self, campaign: Campaign) -> None:
        """With few file handles the run ends as it should or energises nothing."""
        cases = [("RLIMIT_NOFILE", most) for most in (8, 12)]

        assert self.problems(campaign, cases) == ""

    @pytest.mark.torture
    def test_any_number_of_files(self, campaign: Campaign) -> None:
        """The same with every number of handles from the fewest to enough."""
        cases = [("RLIMIT_NOFILE", most) for most in (*range(6, 30), 40, 60)]

        assert self.problems(campaign, cases) == ""

    def test_less_memory_than_the_libraries_take_is_refused(self) -> None:
        """Where one of them would wait for ever, the command says what is missing, and ends."""
        words = [sys.executable, "-c", LIMITED, "RLIMIT_AS", str(170 << 20), "rehearse"]
        ended = subprocess.run(
            words, cwd=ROOT, capture_output=True, encoding="utf-8", timeout=60.0, check=False
        )

        assert ended.returncode == 2
        assert ended.stderr == (
            "softwake: there is not enough memory: this process may use 170 MB of address space; "
            "allow 256 MB or more, with ulimit -v\n"
        )

    @pytest.mark.torture
    def test_little_memory(self, campaign: Campaign) -> None:
        """With little memory power is off at the end, and there is no traceback."""
        cases = [("RLIMIT_AS", most << 20) for most in (60, 170, 200, 230, 260, 300, 400)]

        assert self.problems(campaign, cases) == ""

    @staticmethod
    def problems(campaign: Campaign, cases: list[tuple[str, int]]) -> str:
        """Run every case; return what was wrong."""
        ends = campaign.each(cases, lambda case: ends_well(campaign, case))
        return "\n".join(found for _, each in ends for found in each)


class TestOneRunPerSupply:
    def test_another_spelling_of_the_supply_is_refused(self, campaign: Campaign) -> None:
        """A second run that writes the supply's resource otherwise ends in 5, and is told why."""
        with campaign.bench(BOARD_PROFILE) as bench:
            bench.hold_for("60 s")
            with campaign.run(bench) as running:
                assert bench.wait(on=True, longest_s=30.0)
                second = subprocess.run(
                    other_spelling(bench),
                    cwd=ROOT,
                    capture_output=True,
                    encoding="utf-8",
                    timeout=60.0,
                    check=False,
                )
                assert bench.on

        assert second.returncode == 5
        assert f"in use by process {running.process.pid}, started" in second.stderr
        assert second.stderr.splitlines()[-1] == "Nothing was energised."


def other_spelling(bench: ServedBench) -> list[str]:
    """Return a run on the same bench whose file writes the supply's resource otherwise."""
    text = bench.file.read_text(encoding="utf-8")
    other = bench.file.with_name("other.toml")
    other.write_text(
        re.sub(r"TCPIP0::127\.0\.0\.1::(\d+)", r"tcpip::localhost::0\1", text), encoding="utf-8"
    )
    line = command(bench)
    line[line.index(str(bench.file))] = str(other)
    return line
