"""A run watched at a real terminal: keys, a screen that is held up, and what stands on it."""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import select
import shlex
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.acceptance.conftest import BOARD_PROFILE, ROOT, Campaign, ServedBench
from tests.warm_start import start_at_terminal

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="terminals of POSIX systems")

#: An environment that has another size than the terminal: what it says does not count.
NARROW = {"TERM": "xterm", "COLUMNS": "100", "LINES": "50"}

#: The longest time from a key to output off; a reading of a slow meter, in which it is pressed.
KEY_S, METER_S = 0.1, 3.0


def slow_meter(bench: ServedBench) -> None:
    """Give the meter of a bench time for slow readings, before a run begins."""
    text = bench.file.read_text(encoding="utf-8")
    assert text.count("[meter]\n") == 1
    bench.file.write_text(text.replace("[meter]\n", '[meter]\ntimeout = "5 s"\n'), encoding="utf-8")


def begin_slow_reading(bench: ServedBench, latency_s: float = 0.0) -> None:
    """Have the meter take 3 s per reading from now on; return when it has begun with one."""
    begun = threading.Event()

    def take_long(role: str, _message: str) -> None:
        if role == "meter":
            begun.set()
            time.sleep(METER_S)
        else:
            time.sleep(latency_s)

    bench.on_message = take_long
    assert begun.wait(10.0)


class AtATerminal:
    """A command at a terminal of its own, which is read when it is asked to be."""

    def __init__(self, arguments: list[str], size: tuple[int, int] = (80, 24)) -> None:
        import pty
        import termios

        self._ours, theirs = pty.openpty()
        termios.tcsetwinsize(theirs, (size[1], size[0]))
        environment = {**os.environ, "TERM": os.environ.get("KIND", "xterm")}
        self.process = start_at_terminal(
            arguments, cwd=ROOT, terminal=theirs, environment=environment
        )
        os.close(theirs)
        self.screen = b""

    def read(self, longest_s: float, until: bytes = b"\0") -> bool:
        """Read what it shows, until it shows something."""
        end_s = time.monotonic() + longest_s
        while until not in self.screen and time.monotonic() < end_s:
            if select.select([self._ours], [], [], 0.05)[0]:
                try:
                    self.screen += os.read(self._ours, 65536)
                except OSError:
                    return until in self.screen
        return until in self.screen

    def type(self, keys: bytes) -> float:
        """Type; return when."""
        at_s = time.monotonic()
        os.write(self._ours, keys)
        return at_s

    def close(self) -> None:
        """End it."""
        self.process.kill()
        self.process.wait()
        os.close(self._ours)


@pytest.fixture
def at_a_terminal() -> Iterator[Callable[[list[str]], AtATerminal]]:
    """Return a function that starts a command at a terminal; all are ended at the end."""
    with contextlib.ExitStack() as stack:

        def start(arguments: list[str]) -> AtATerminal:
            terminal = AtATerminal(arguments)
            stack.callback(terminal.close)
            return terminal

        yield start


class TestKeys:
    def test_a_key_switches_off_at_once(
        self, campaign: Campaign, at_a_terminal: Callable[[list[str]], AtATerminal]
    ) -> None:
        """From the key to output off at the instrument: 100 ms at most, and no question."""
        with campaign.bench(BOARD_PROFILE) as bench:
            bench.hold_for("20 s")
            terminal = at_a_terminal(bench.words)
            assert bench.wait(on=True, longest_s=30.0)
            assert terminal.read(20.0, b"s of 20 s, ")
            pressed_s = terminal.type(b" ")
            assert bench.wait(on=False, longest_s=5.0)
            took_s = bench.off_s - pressed_s
            terminal.read(20.0, b"CONFIRMED")
            terminal.read(1.0)

            assert took_s < KEY_S
            assert terminal.process.wait(timeout=20.0) == 130
            assert b"switched off by a key" in terminal.screen

    @pytest.mark.parametrize(
        ("key", "said"), [(b" ", "switched off by a key"), (b"\x03", "stopped by SIGINT")]
    )
    def test_a_slow_meter_holds_up_no_key(
        self,
        campaign: Campaign,
        at_a_terminal: Callable[[list[str]], AtATerminal],
        key: bytes,
        said: str,
    ) -> None:
        """In the middle of a reading that takes 3 s, off is at the instrument within 100 ms."""
        with campaign.bench(BOARD_PROFILE) as bench:
            bench.hold_for("20 s")
            slow_meter(bench)
            terminal = at_a_terminal(bench.words)
            assert terminal.read(30.0, b"s of 20 s, ")
            begin_slow_reading(bench)
            time.sleep(0.2)
            pressed_s = terminal.type(key)
            assert bench.wait(on=False, longest_s=5.0)
            took_s = bench.off_s - pressed_s
            assert terminal.read(20.0, said.encode())
            assert terminal.process.wait(timeout=20.0) == 130

        assert took_s < KEY_S

    def test_other_keys_do_nothing_and_the_terminal_is_left_as_it_was(
        self, campaign: Campaign, at_a_terminal: Callable[[list[str]], AtATerminal]
    ) -> None:
        """A key that is not named leaves power as it is; after a run keys are lines again."""
        import termios

        with campaign.bench(BOARD_PROFILE) as bench:
            terminal = at_a_terminal(bench.words)
            before = termios.tcgetattr(terminal._ours)[3]
            assert terminal.read(30.0, b"POWER ON")
            during = termios.tcgetattr(terminal._ours)[3]
            assert bench.wait(on=True, longest_s=30.0)
            terminal.type(b"abc\r5")
            assert terminal.read(30.0, b"OUTPUT OFF, CONFIRMED")
            after = termios.tcgetattr(terminal._ours)[3]
            terminal.read(1.0)

            assert terminal.process.wait(timeout=20.0) == 0

        assert not during & (termios.ICANON | termios.ECHO)
        assert after == before


class TestHeldUp:
    def test_a_stopped_terminal_delays_nobody(
        self, campaign: Campaign, at_a_terminal: Callable[[list[str]], AtATerminal]
    ) -> None:
        """With output blocked for 5 s under power the supply is read as before, to the end."""
        with campaign.bench(BOARD_PROFILE) as bench:
            bench.hold_for("8 s")
            terminal = at_a_terminal(bench.words)
            assert bench.wait(on=True, longest_s=30.0)
            assert terminal.read(20.0, b"s of 8 s, ")
            begin_s = time.monotonic()
            time.sleep(5.0)  # nobody reads the terminal
            end_s = time.monotonic()
            assert bench.on
            read_s = [said.time_s for said in bench.spoken["supply"] if "MEAS" in said.message]
            assert terminal.read(30.0, b"CONFIRMED")
            terminal.read(1.0)
            assert terminal.process.wait(timeout=20.0) == 0

        blocked = [time_s for time_s in read_s if begin_s <= time_s <= end_s]
        before = [time_s for time_s in read_s if begin_s - 1.0 <= time_s < begin_s]
        gaps = [later - earlier for earlier, later in itertools.pairwise(blocked)]
        assert max(gaps) < 0.3
        assert statistics.median(gaps) < 2 * (before[-1] - before[0]) / len(before)

    def test_a_blocked_terminal_takes_keys_all_the_same(
        self, campaign: Campaign, at_a_terminal: Callable[[list[str]], AtATerminal]
    ) -> None:
        """A key, here ESC, switches off while nobody reads what the terminal would show."""
        with campaign.bench(BOARD_PROFILE) as bench:
            bench.hold_for("20 s")
            terminal = at_a_terminal(bench.words)
            assert bench.wait(on=True, longest_s=30.0)
            assert terminal.read(20.0, b"s of 20 s, ")
            time.sleep(3.0)
            pressed_s = terminal.type(b"\x1b")
            assert bench.wait(on=False, longest_s=5.0)
            assert bench.off_s - pressed_s < KEY_S
            terminal.read(10.0, b"CONFIRMED")


class TestInTmux:
    """The screen as a terminal shows it, cell by cell."""

    @pytest.fixture
    def tmux(self, needs_program: Callable[[str], str], tmp_path: Path) -> Iterator[list[str]]:
        """A server of our own."""
        socket = tmp_path / "tmux"
        words = [needs_program("tmux"), "-S", str(socket), "-f", os.devnull]
        yield words
        subprocess.run([*words, "kill-server"], check=False, capture_output=True)

    @staticmethod
    def shown(tmux: list[str]) -> str:
        """Return what stands on the screen."""
        words = [*tmux, "capture-pane", "-p", "-t", "run"]
        return subprocess.run(words, check=True, capture_output=True, encoding="utf-8").stdout

    @pytest.mark.parametrize("columns", [80, 40])
    def test_power_stands_on_top(
        self, campaign: Campaign, tmux: list[str], columns: int, tmp_path: Path
    ) -> None:
        """At 24 lines the first says POWER ON, and figures and hold stand below."""
        del tmp_path
        with campaign.bench(BOARD_PROFILE) as bench:
            bench.hold_for("20 s")
            line = shlex.join([sys.executable, "-m", "harness", *bench.words])
            size = ("-x", str(columns), "-y", "24")
            start = [*tmux, "new-session", "-d", "-s", "run", *size, f"{line}; sleep 60"]
            subprocess.run(start, check=True, cwd=ROOT, env={**os.environ, **NARROW})
            assert bench.wait(on=True, longest_s=30.0)
            end_s = time.monotonic() + 20.0
            while "s of 20 s, " not in (screen := self.shown(tmux)):
                assert time.monotonic() < end_s, screen
                time.sleep(0.1)
            lines = screen.splitlines()
            subprocess.run([*tmux, "send-keys", "-t", "run", "Space"], check=True)
            assert bench.wait(on=False, longest_s=5.0)
            while "OUTPUT OFF, CONFIRMED" not in (ended := self.shown(tmux)):
                assert time.monotonic() < end_s, ended
                time.sleep(0.1)

        assert lines[0].startswith(" SIMULATED POWER ON")
        assert "SPACE, Q or ESC switches off" in lines[0] + lines[1]
        assert "HRW-0007" in screen
        assert re.search(r"^voltage +2[34]\.\d+ V", screen, re.MULTILINE)
        assert re.search(r"^current ", screen, re.MULTILINE)
        assert re.search(r"held \d+ s of 20 s, \d+ s left", screen)
        assert "POWER ON" not in ended


class TestPlainTerminal:
    def test_a_terminal_that_cannot_draw_gets_lines(
        self, campaign: Campaign, at_a_terminal: Callable[[list[str]], AtATerminal]
    ) -> None:
        """With TERM=dumb each event is a line, no sequence is sent, and the keys work, here Q."""
        with campaign.bench(BOARD_PROFILE) as bench, pytest.MonkeyPatch.context() as patch:
            patch.setenv("KIND", "dumb")
            bench.hold_for("20 s")
            terminal = at_a_terminal(bench.words)
            assert bench.wait(on=True, longest_s=30.0)
            assert terminal.read(20.0, b"POWER ON    settled: nominal")
            terminal.type(b"q")
            assert bench.wait(on=False, longest_s=5.0)
            terminal.read(20.0, b"CONFIRMED")

        assert b"SPACE, Q or ESC switches off" in terminal.screen
        shown = terminal.screen.partition(b"CONFIRMED")[0].partition(b"REHEARSAL NOT")[0]
        assert b"\x1b" not in shown
