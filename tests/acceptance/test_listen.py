from __future__ import annotations

import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from harness.cli.main import app
from harness.errors import UsageError
from harness.rehearse.server import LINK_FAULTS
from tests.acceptance.conftest import BOARD_PROFILE
from tests.command import started

if TYPE_CHECKING:
    from tests.acceptance.conftest import Campaign

ROOT = Path(__file__).resolve().parents[2]


@contextmanager
def listening(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """Start ``softwake rehearse --listen`` in a folder."""
    process = subprocess.Popen(
        [sys.executable, "-m", "harness", "rehearse", *arguments, "--listen", "--port-base", "0"],
        cwd=folder,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    with process:
        try:
            yield process
        finally:
            process.kill()


def stream(found: IO[str] | None) -> IO[str]:
    assert found is not None
    return found


def until(process: subprocess.Popen[str], start: str) -> str:
    """Read lines up to one that begins with a text."""
    for line in stream(process.stdout):
        if line.startswith(start):
            return line.strip()
    pytest.fail(f"no line begins with {start!r}")


@pytest.mark.skipif(sys.platform == "win32", reason="sends Ctrl-C as a POSIX signal")
def test_the_line_it_prints_runs_against_it(campaign: Campaign, tmp_path: Path) -> None:
    """The printed command is a run that passes; a link broken by name while it listens trips it."""
    with campaign.bench(BOARD_PROFILE) as bench:
        profile = bench.profile
    with listening(tmp_path, str(profile)) as serving:
        command = shlex.split(until(serving, "softwake run"))
        assert until(serving, "Ctrl-C")

        passed = started(*command[1:], "--yes", cwd=tmp_path)
        assert passed.returncode == 0, passed.stderr
        assert until(serving, "output on")
        assert until(serving, "output off")

        stream(serving.stdin).write("supply:overload@OUTP ON\n")
        stream(serving.stdin).flush()
        assert until(serving, "injected")
        tripped = started(*command[1:], "--yes", cwd=tmp_path)
        assert tripped.returncode == 3
        assert until(serving, "output on")
        assert until(serving, "output off")

        serving.send_signal(signal.SIGINT)
        assert serving.wait(timeout=10.0) == 0
    assert list(tmp_path.glob("bench-listening-*")) == []


class TestUsage:
    @pytest.mark.parametrize(
        ("options", "says"),
        [
            (["--link-fault", "supply:silence"], "add --listen"),
            (["--port-base", "0"], "add --listen"),
            (["--listen", "--link-fault", "silence"], "write ROLE:NAME"),
            (["--listen", "--link-fault", "supply:silense"], "did you mean 'silence'"),
            (["--listen", "--link-fault", "supply:silence+x"], "a number of messages"),
            (["--listen", "--link-fault", "meter:output-stays-on"], "no fault of a meter"),
        ],
    )
    def test_a_slip_is_told(self, options: list[str], says: str) -> None:
        """A link fault that cannot be is refused before anything listens."""
        ended = CliRunner().invoke(app, ["rehearse", *options])

        assert isinstance(ended.exception, UsageError)
        assert says in str(ended.exception)

    def test_the_faults_are_listed(self) -> None:
        """The option's 'list' names every link fault and what it is."""
        ended = CliRunner().invoke(app, ["rehearse", "--link-fault", "list"])

        assert ended.exit_code == 0
        assert all(f"{name} " in ended.output for name in LINK_FAULTS)
