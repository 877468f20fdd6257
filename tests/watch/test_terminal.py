from __future__ import annotations

import contextlib
import io
import re
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness.record.journal import Journal
from harness.watch.screen import Screen
from harness.watch.terminal import RunScreen


class Pipe(io.StringIO):
    """Standard output that is no terminal; it can be held up."""

    encoding = "utf-8"

    def __init__(self) -> None:
        super().__init__()
        self.free = threading.Event()
        self.free.set()

    def write(self, text: str) -> int:
        """Take text, once it is let."""
        self.free.wait(20.0)
        return super().write(text)


class Terminal(Pipe):
    """A terminal."""

    def isatty(self) -> bool:
        """Be one."""
        return True


def until(true: Callable[[], bool]) -> bool:
    """Wait until something is so, but not for long."""
    end_s = time.monotonic() + 10.0
    while not true():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.01)
    return True


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    """A journal that has just begun."""
    with contextlib.closing(Journal(tmp_path)) as begun:
        yield begun


@pytest.fixture
def pipe(monkeypatch: pytest.MonkeyPatch) -> Pipe:
    """A pipe in the place of standard output."""
    monkeypatch.setenv("TERM", "xterm")
    return Pipe()


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal of 24 lines in the place of standard output."""
    for name, value in (("LINES", "24"), ("COLUMNS", "80"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    return Terminal()


def following(tmp_path: Path, output: Pipe, monkeypatch: pytest.MonkeyPatch) -> RunScreen:
    """Return a run's screen, on this output, that follows the journal."""
    monkeypatch.setattr(sys, "stdout", output)
    shown = RunScreen(Screen(), lambda _: None)
    shown.follow(tmp_path)
    return shown


class TestLines:
    def test_each_event_is_a_line(
        self, journal: Journal, pipe: Pipe, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """In a pipe each event is a line with its time and what is known of power."""
        shown = following(tmp_path, pipe, monkeypatch)
        journal.event(0.5, "step", "start", "start")
        journal.event(0.6, "power on", "start", "")
        journal.event(1.25, "settled", "start", "10 % after 0.6 s")
        assert until(lambda: "settled" in pipe.getvalue())
        shown.end()

        assert pipe.getvalue().splitlines() == [
            "    0.500 s  output off  step: start",
            "    0.600 s  POWER ON    power on",
            "    1.250 s  POWER ON    settled: 10 % after 0.6 s",
        ]

    def test_where_it_stands_is_a_line_from_time_to_time(
        self,
        journal: Journal,
        pipe: Pipe,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """Every few seconds a line says where the run stands, power first."""
        monkeypatch.setattr("harness.watch.terminal._STATE_S", 0.1)
        journal.event(0.0, "power on", "start", "")
        shown = following(tmp_path, pipe, monkeypatch)
        assert until(lambda: pipe.getvalue().count("POWER ON; ") >= 2)
        shown.end()

    def test_power_is_told_after_what_came_before_it(
        self, journal: Journal, pipe: Pipe, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """What stands in the journal before power comes on is printed before that is said."""
        shown = following(tmp_path, pipe, monkeypatch)
        journal.event(0.5, "level", "start", "10 %: 2.4 V")
        shown.power_on("start")
        journal.event(0.6, "settled", "start", "10 %")
        shown.power_off(confirmed=True)
        shown.end()
        lines = pipe.getvalue().splitlines()

        assert "level: 10 %: 2.4 V" in lines[0]
        assert re.fullmatch(r"POWER ON \d\d:\d\d:\d\d, start\. Ctrl-C switches off\.", lines[1])
        assert "settled: 10 %" in lines[2]
        assert re.fullmatch(r"OUTPUT OFF \d\d:\d\d:\d\d", lines[3])

    def test_no_sequence_of_a_terminal_goes_into_a_pipe(
        self, journal: Journal, pipe: Pipe, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A pipe gets text and nothing else."""
        shown = following(tmp_path, pipe, monkeypatch)
        journal.event(0.5, "trip", "start", "\x1b[2J")
        shown.power_on("start")
        shown.power_off(confirmed=False)
        shown.end()

        assert "\x1b" not in pipe.getvalue()


class TestDrawn:
    def test_power_on_stands_before_it_returns(
        self, journal: Journal, terminal: Terminal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The screen says POWER ON before the engine may switch on, whatever the journal says."""
        shown = following(tmp_path, terminal, monkeypatch)
        journal.event(0.0, "step", "start", "start")
        shown.power_on("start")

        last = terminal.getvalue().rpartition("\x1b[H")[2]
        assert "POWER ON" in last
        assert "OUTPUT OFF" not in last
        shown.end()

    def test_a_question_has_power_above_it(
        self, journal: Journal, terminal: Terminal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A question takes the place of the drawing, below what is known of power, and stays."""
        shown = following(tmp_path, terminal, monkeypatch)
        journal.event(0.0, "power off", "start", "confirmed")
        shown.ask("\nConnect the meter.\n> ")
        begun = terminal.getvalue().rpartition("\x1b[H")[2]
        time.sleep(0.5)  # time for two drawings, none of which may come

        assert terminal.getvalue().endswith("Connect the meter.\n> ")
        assert "OUTPUT OFF" in begun.splitlines()[0]
        shown.go_on()
        assert until(lambda: not terminal.getvalue().endswith("> "))
        shown.end()

    def test_a_key_shows_at_once(
        self, journal: Journal, terminal: Terminal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """While the engine still waits for a meter, the screen says that off was asked for."""
        shown = following(tmp_path, terminal, monkeypatch)
        journal.event(0.0, "step", "start", "start")
        shown.power_on("start")
        shown._pressed()

        assert until(lambda: "power off was asked for" in terminal.getvalue())
        assert "POWER ON" in terminal.getvalue().rpartition("\x1b[H")[2]
        shown.end()

    def test_cut_the_mains_is_the_last_word(
        self, journal: Journal, terminal: Terminal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where off is not confirmed no drawing comes after the words to cut the mains."""
        shown = following(tmp_path, terminal, monkeypatch)
        shown.power_on("start")
        shown.power_off(confirmed=False)
        journal.event(0.0, "power off", "start", "unconfirmed")
        shown.end()

        last = terminal.getvalue().rpartition("\x1b[H")[2]
        assert last == "CUT THE MAINS OF THE SUPPLY NOW\n"


class TestHeldUp:
    @pytest.mark.parametrize("kind", [Pipe, Terminal])
    def test_a_screen_that_takes_nothing_holds_nobody_up(
        self,
        journal: Journal,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        kind: type[Pipe],
    ) -> None:
        """With output held up power is told in time, and while it is on nobody waits at all."""
        stuck = kind()
        stuck.free.clear()
        monkeypatch.setenv("TERM", "xterm")
        shown = following(tmp_path, stuck, monkeypatch)
        begin_s = time.monotonic()
        shown.power_on("start")  # power is still off: this may wait a moment
        on_s = time.monotonic()
        for number in range(200):
            journal.event(float(number), "settled", "start", "10 %")
        told_s = time.monotonic()  # a busy disk may have taken long for the rows
        shown.power_off(confirmed=True)
        off_s = time.monotonic()
        stuck.free.set()
        shown.end()

        assert on_s - begin_s < 5.0
        assert off_s - told_s < 0.5

    def test_nothing_piles_up(
        self,
        journal: Journal,
        terminal: Terminal,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """While output is held up no drawing is added to what waits."""
        monkeypatch.setattr(sys, "stdout", terminal)
        screen = Screen()
        shown = RunScreen(screen, lambda _: None)
        shown.follow(tmp_path)
        shown.power_on("start")
        assert until(lambda: not screen.busy)
        terminal.free.clear()
        journal.event(0.0, "settled", "start", "10 %")
        assert until(lambda: screen.busy)
        time.sleep(1.0)

        assert screen._said.qsize() <= 2
        terminal.free.set()
        shown.end()
