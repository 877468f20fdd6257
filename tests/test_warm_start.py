"""Runs that are forked end, speak and die as those that are started anew."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.command import started
from tests.warm_start import WarmChild, start_at_terminal, start_process

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="processes fork on POSIX systems")


class TestWarmStart:
    def test_it_says_and_ends_what_a_fresh_process_does(self, tmp_path: Path) -> None:
        """Exit code and both streams are those of the program started by itself."""
        words = ("plan", "no-such-profile")
        warm = started(*words, cwd=tmp_path)
        fresh = started(*words, cwd=tmp_path, PYTHONHASHSEED="1")

        assert (warm.returncode, warm.stdout, warm.stderr) == (2, fresh.stdout, fresh.stderr)
        assert "no-such-profile" in warm.stderr

    def test_a_killed_one_has_its_signal(self, tmp_path: Path) -> None:
        """It is a process of its own, in a session of its own, and tells what ended it."""
        with (tmp_path / "screen.txt").open("wb") as screen:
            process = start_process(["rehearse"], cwd=tmp_path, stdout=screen)
            assert isinstance(process, WarmChild)
            assert process.pid != os.getpid()
            process.kill()

        assert process.wait(10.0) == -9
        assert process.poll() == process.returncode

    def test_at_a_terminal_it_has_that_for_its_own(self, tmp_path: Path) -> None:
        """What it asks stands on that screen at once, and Ctrl-C there is its signal."""
        import pty

        ours, theirs = pty.openpty()
        process = start_at_terminal(["new", "bench"], cwd=tmp_path, terminal=theirs)
        os.close(theirs)
        screen = b""
        while b"]: " not in screen:
            screen += os.read(ours, 4096)

        assert isinstance(process, WarmChild)
        end_s = time.monotonic() + 30.0
        while process.poll() is None and time.monotonic() < end_s:
            # one that comes after the question and before the read is seen only with the next
            with contextlib.suppress(OSError):  # it has ended meanwhile, and its end is closed
                os.write(ours, b"\x03")
            time.sleep(0.2)
        os.close(ours)
        assert process.returncode == 2  # no answer: nothing is written

    def test_what_the_interpreter_reads_is_read_anew(self, tmp_path: Path) -> None:
        """With a setting of the interpreter itself the program is started, not forked."""
        environment = {**os.environ, "PYTHONHASHSEED": "1"}
        with (tmp_path / "screen.txt").open("wb") as screen:
            process = start_process(
                ["--version"], cwd=tmp_path, stdout=screen, environment=environment
            )
            process.wait(30.0)

        assert isinstance(process, subprocess.Popen)
        assert process.returncode == 0
