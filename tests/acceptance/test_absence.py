"""Nobody watches over power: the keeper is stopped, or both processes, or the machine sleeps."""

from __future__ import annotations

import mmap
import os
import signal
import struct
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.acceptance.conftest import Campaign, Ended, Running, ServedBench

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="finds the keeper's process in /proc, and sends POSIX signals"
)

#: Longest time to output off: after the keeper fell silent, or after everybody is back.
LONGEST_S = 1.0
#: How long nobody is there: longer than a busy machine may hold a process up, or a short sleep.
STOPPED_S, ASLEEP_S = 3.0, 1.0

#: Makes a process's usual clock stand still while it "sleeps": by so many seconds as a test writes
#: into a file. The clock that counts sleep goes on.
SLEEPING_CLOCK = """
import mmap, os, struct, time

_file = open(os.environ["SLEPT_FILE"], "rb")
_slept = mmap.mmap(_file.fileno(), 8, access=mmap.ACCESS_READ)
_usual = time.monotonic
time.monotonic = lambda: _usual() - struct.unpack("d", _slept[:8])[0]
"""


def hold_power(campaign: Campaign, act: Callable[[ServedBench, Running], None]) -> Ended:
    """Carry a run out until the meter is first asked under power, and act then.

    Where a shared machine paused for so long before that the run was cut, as it has to be, another
    one is begun.
    """
    for _ in range(3):
        with campaign.bench() as bench, campaign.run(bench) as running:
            asked: list[str] = []
            bench.on_message = lambda role, _, bench=bench, asked=asked: (
                asked.append(role) if role == "meter" and bench.on else None
            )
            end_s = time.monotonic() + 30.0
            while not asked and running.process.poll() is None:
                assert time.monotonic() < end_s, running.screen.read_text(encoding="utf-8")
                time.sleep(0.005)
            if not asked:
                continue
            act(bench, running)
            ended = running.end()
            assert not bench.on
            return ended
    pytest.fail("three runs ended before their meter was asked under power")


def stop_keeper(campaign: Campaign, answers_after_s: float) -> None:
    """Stop the keeper while the meter, patiently waited for, is asked under power."""
    stopped: list[float] = []

    def stop(role: str, _message: str) -> None:
        if role != "meter" or not bench.on or stopped:
            return
        stopped.append(time.monotonic())
        os.kill(running.keeper(), signal.SIGSTOP)
        time.sleep(answers_after_s)

    with campaign.bench() as bench:
        text = bench.file.read_text(encoding="utf-8")
        assert "[meter]\n" in text
        extended_timeout = text.replace("[meter]\n", '[meter]\ntimeout = "10 s"\n')
        bench.file.write_text(extended_timeout, encoding="utf-8")
        with campaign.run(bench) as running:
            bench.on_message = stop
            ended = running.end()

    lag_s = bench.first_off_s - stopped[0]
    print(f"keeper stopped, meter after {answers_after_s} s: off in {lag_s:.3f} s")  # noqa: T201
    assert lag_s <= LONGEST_S, ended.screen
    assert ended.code == 3, ended.screen
    assert ended.run["reason"].startswith("keeper_lost")


class TestStoppedKeeper:
    def test_power_is_off_while_the_engine_waits_for_a_slow_meter(self, campaign: Campaign) -> None:
        """The engine takes over within a second, whatever it is doing, whatever the time-outs."""
        stop_keeper(campaign, 2.0)

    @pytest.mark.torture
    def test_power_is_off_while_the_engine_waits_for_the_keeper(self, campaign: Campaign) -> None:
        """The same where the engine is at leisure."""
        stop_keeper(campaign, 0.0)


@dataclass
class Leaving:
    """Stops both processes under power, and makes their usual clock stand still where asked."""

    slept: Path

    def leave(self, campaign: Campaign, away_s: float, asleep_s: float) -> Ended:
        """Be away in a hold; power must be off as soon as both are back."""

        def leave(bench: ServedBench, running: Running) -> None:
            both = running.keeper(), running.process.pid
            for pid in both:
                os.kill(pid, signal.SIGSTOP)
            time.sleep(away_s)
            assert bench.on
            with self.slept.open("r+b") as file, mmap.mmap(file.fileno(), 8) as shared:
                shared[:8] = struct.pack("d", asleep_s)
            for pid in both:
                os.kill(pid, signal.SIGCONT)
            assert bench.wait(on=False, longest_s=LONGEST_S)

        ended = hold_power(campaign, leave)
        assert ended.code == 3, ended.screen
        assert ended.run["outcome"] == "tripped"
        assert ended.run["released"] is False
        return ended


@pytest.fixture
def leaving(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Leaving:
    """Give the processes of the test a clock that can stand still."""
    slept = tmp_path / "slept"
    slept.write_bytes(struct.pack("d", 0.0))
    (tmp_path / "sitecustomize.py").write_text(SLEEPING_CLOCK, encoding="utf-8")
    monkeypatch.setenv("SLEPT_FILE", str(slept))
    path = os.pathsep.join(filter(None, [str(tmp_path), os.environ.get("PYTHONPATH")]))
    monkeypatch.setenv("PYTHONPATH", path)
    return Leaving(slept)


class TestNobodyThere:
    def test_a_machine_that_slept_cuts_power_as_it_wakes(
        self, campaign: Campaign, leaving: Leaving
    ) -> None:
        """The usual clock stood still, so that nothing else would tell: a trip, never a release."""
        ended = leaving.leave(campaign, ASLEEP_S, ASLEEP_S)

        assert ended.run["reason"].startswith("unwatched: for 1")
        assert "the computer slept" in ended.run["reason"]

    @pytest.mark.torture
    def test_processes_that_were_stopped_cut_power_as_they_go_on(
        self, campaign: Campaign, leaving: Leaving
    ) -> None:
        """What lay in the pipe from before does not hide that nobody was there."""
        ended = leaving.leave(campaign, STOPPED_S, 0.0)

        assert ended.run["reason"].startswith("unwatched: for 3")
        assert "the program got no time to run" in ended.run["reason"]
