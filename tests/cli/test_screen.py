"""Standard output for the time of a run."""

from __future__ import annotations

import io
import sys
import threading

import pytest

from harness.cli.prompts import TerminalOperator
from harness.run.operator import StopRequest
from harness.watch.screen import Screen


class Terminal(io.StringIO):
    """A terminal of twenty-four lines."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        """Be one."""
        return True

    @property
    def shown(self) -> str:
        """What stands on the screen: the last lines, or what came after the cursor went home."""
        text = self.getvalue().rpartition("\x1b[H")[2]
        return "\n".join(text.split("\n")[-24:])


class TestPowerOn:
    @pytest.mark.parametrize("kind", ["xterm", "dumb"])
    def test_no_word_of_an_output_that_is_off_stays(
        self, monkeypatch: pytest.MonkeyPatch, kind: str
    ) -> None:
        """What was said while the output was off is scrolled away before power comes on."""
        terminal = Terminal()
        monkeypatch.setattr(sys, "stdout", terminal)
        monkeypatch.setenv("LINES", "24")
        monkeypatch.setenv("COLUMNS", "80")
        monkeypatch.setenv("TERM", kind)
        terminal.write("Nothing was energised to make this plan.\n")
        operator = TerminalOperator(StopRequest())
        operator.power_off(confirmed=True)
        operator.power_on("start")

        assert terminal.getvalue().startswith("Nothing was energised")  # there, to scroll back to
        assert "OUTPUT OFF" not in terminal.shown
        assert "energised" not in terminal.shown
        assert "POWER ON" in terminal.shown


class TestScreen:
    def test_a_stream_that_takes_nothing_holds_nobody_up(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Whoever says something goes on at once, and waits no longer than it is willing to."""
        taken = threading.Event()

        class Stuck(io.StringIO):
            def write(self, text: str) -> int:
                taken.wait(20.0)
                return super().write(text)

        stuck = Stuck()
        monkeypatch.setattr(sys, "stdout", stuck)
        screen = Screen()
        screen.say("POWER ON\n")

        assert not screen.wait(0.01)
        taken.set()
        assert screen.wait(20.0)
        assert stuck.getvalue() == "POWER ON\n"

    def test_a_stream_that_is_gone_is_no_error(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Where nobody reads any more, what is said is lost, and nothing else."""
        gone = io.StringIO()
        gone.close()
        monkeypatch.setattr(sys, "stdout", gone)
        screen = Screen()
        screen.say("POWER ON\n", afresh=True)

        assert screen.wait(20.0)
