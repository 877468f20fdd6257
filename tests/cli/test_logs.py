"""What the program says of its own work: on standard error, and beside nothing else."""

from __future__ import annotations

import json
import logging
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from harness.cli import logs
from harness.cli.main import app

ROOT = Path(__file__).resolve().parents[2]
DC = "mount-controller-board"


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    """Leave the log as it was."""
    root = logging.getLogger("harness")
    level, handlers = root.level, [*root.handlers]
    yield
    root.setLevel(level)
    root.handlers = handlers


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> subprocess.CompletedProcess[str]:
    """A rehearsal with every message, as JSON."""
    words = ["rehearse", DC, "--results", str(tmp_path_factory.mktemp("logs")), "--json", "-vv"]
    return subprocess.run(
        [sys.executable, "-m", "harness", *words],
        cwd=ROOT,
        capture_output=True,
        encoding="utf-8",
        check=True,
    )


class TestVerbose:
    def test_it_never_gets_among_the_json(self, done: subprocess.CompletedProcess[str]) -> None:
        """Standard output is the document alone."""
        assert json.loads(done.stdout)["verdict"] == "pass"

    def test_each_message_is_told(self, done: subprocess.CompletedProcess[str]) -> None:
        """With -vv questions and answers stand on standard error, and what the run rests on."""
        for part in (
            "INFO harness.run.engine: profile mount-controller-board, SHA-256 ",
            "INFO harness.bench.logged_link: opened supply ",
            "DEBUG harness.bench.logged_link: meter (TCPIP0::127.0.0.1::5026::SOCKET) > *IDN?",
            "< Harrow Point Workshop,DM-60 simulated",
        ):
            assert part in done.stderr

    def test_without_it_nothing_is_told(self) -> None:
        """Standard error has nothing of a rehearsal that went well."""
        done = CliRunner().invoke(app, ["plan", DC])

        assert (done.exit_code, done.stderr) == (0, "")


class TestQuiet:
    def test_questions_and_cautions_stay(self) -> None:
        """What a plan says is no log: it is printed as ever."""
        assert CliRunner().invoke(app, ["plan", DC, "-q"]).stdout == (
            CliRunner().invoke(app, ["plan", DC]).stdout
        )
        assert logs.is_quiet()

    def test_no_progress_is_shown(self) -> None:
        """A campaign prints its tables and nothing else."""
        done = CliRunner().invoke(app, ["qualify", DC, "--units", "2", "--workers", "1", "-q"])

        assert "released" in done.stdout
        assert done.stderr == ""


class TestLines:
    def said(self, monkeypatch: pytest.MonkeyPatch) -> list[str]:
        """Collect what is written."""
        lines: list[str] = []
        monkeypatch.setattr(logs._HANDLER.screen, "say", lines.append)
        logs._begin(logging.INFO)
        return lines

    def test_what_does_not_print_is_escaped(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """An answer of an instrument moves no cursor."""
        lines = self.said(monkeypatch)
        logging.getLogger("harness.bench").info("%s", "\x1b[2JPS-200")

        assert lines[0].endswith("harness.bench: \\x1b[2JPS-200\n")

    def test_a_drawn_run_is_left_alone(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """On a terminal the lines come after the run, the latest of them."""
        lines = self.said(monkeypatch)
        monkeypatch.setattr(logs, "_at_a_terminal", lambda: True)
        monkeypatch.setattr(logs, "_KEPT", 2)
        with logs.kept_from_the_screen():
            for number in range(3):
                logging.getLogger("harness").info("%d", number)
            assert lines == []

        assert [line[-2:-1] for line in lines] == ["1", "2"]

    def test_into_a_file_they_go_at_once(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Where standard error is no terminal, nothing is kept back."""
        lines = self.said(monkeypatch)
        monkeypatch.setattr(logs, "_at_a_terminal", lambda: False)
        with logs.kept_from_the_screen():
            logging.getLogger("harness").info("now")
            assert len(lines) == 1
