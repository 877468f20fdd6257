"""The question before power, at a real terminal and without one: no answer energises nothing."""

from __future__ import annotations

import os
import select
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.acceptance.conftest import ROOT, Campaign, ServedBench
from tests.command import started
from tests.warm_start import start_at_terminal

COMMANDS: dict[str, Callable[[ServedBench], list[str]]] = {
    "run": lambda bench: [
        *("run", str(bench.profile), "--bench", str(bench.file)),
        *("--serial", "HRW-0007", "--results", str(bench.results)),
    ],
    "bench --wiring": lambda bench: ["bench", str(bench.file), "--wiring"],
}

#: What is set or switched; questions do not count, nor does clearing what is left of old errors.
MOVES = ("VOLT ", "CURR ", "OUTP ON", "FREQ ", "INP ON")


def at_a_terminal(arguments: list[str], typed: bytes) -> tuple[int, str]:
    """Run a command at a terminal, type at its question, and return exit code and screen."""
    import pty

    ours, theirs = pty.openpty()
    try:
        process = start_at_terminal(arguments, cwd=ROOT, terminal=theirs)
        os.close(theirs)
        screen, sent, end_s = b"", False, time.monotonic() + 40.0
        while time.monotonic() < end_s:
            if select.select([ours], [], [], 0.1)[0]:
                try:
                    screen += os.read(ours, 4096)
                except OSError:  # the last process has closed it
                    break
            elif process.poll() is not None:
                break
            if not sent and b"\r\n> " in screen:
                os.write(ours, typed)
                sent = True
        return process.wait(timeout=10.0), screen.decode(errors="replace")
    finally:
        process.kill()
        os.close(ours)


def moves(bench: ServedBench) -> list[str]:
    """Return every message that set or switched something."""
    said = [each.message for log in bench.spoken.values() for each in log]
    return [message for message in said if message.startswith(MOVES)]


@pytest.mark.parametrize("command", COMMANDS)
class TestConfirm:
    def test_no_input_at_all_is_a_no(
        self, campaign: Campaign, command: str, tmp_path: Path
    ) -> None:
        """Where standard input has ended, the command is refused, and nothing is energised."""
        with campaign.bench() as bench:
            ended = started(*COMMANDS[command](bench), cwd=ROOT)

            assert ended.returncode == 5, ended.stdout + ended.stderr
            assert "no answer: the input has ended" in ended.stdout
            assert moves(bench) == []
            assert not bench.switched
            assert list(tmp_path.rglob("run.json")) == []

    @pytest.mark.skipif(sys.platform == "win32", reason="terminals of POSIX systems")
    @pytest.mark.parametrize(
        ("typed", "code", "says"),
        [
            (b"\x03", 130, "softwake: stopped by SIGINT"),
            (b"\x04", 5, "no answer: the input has ended"),
            (b"no\n", 5, "> no"),
        ],
        ids=["Ctrl-C", "Ctrl-D", "no"],
    )
    def test_no_yes_at_a_terminal_is_a_no(
        self, campaign: Campaign, command: str, typed: bytes, code: int, says: str
    ) -> None:
        """Ctrl-C, the end of the input and a no each end the command; nothing is energised."""
        with campaign.bench() as bench:
            ended, screen = at_a_terminal(COMMANDS[command](bench), typed)

            assert ended == code, screen
            assert says in screen
            assert "Traceback" not in screen
            assert "Aborted" not in screen
            assert moves(bench) == []
            assert not bench.switched
