"""Nobody watches over power: the keeper is stopped, or both processes, or the machine sleeps."""

from __future__ import annotations

import mmap
import os
import signal
import struct
import sys
import time
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
    """Carry a run out until the meter is first asked under power, and act then."""
    with campaign.bench() as bench, campaign.run(bench) as running:
        asked = []
        bench.on_message = lambda role, _: (
            asked.append(role) if role == "meter" and bench.on else None
        )
        end_s = time.monotonic() + 30.0
        while not asked:
            assert time.monotonic() < end_s, running.screen.read_text(encoding="utf-8")
            time.sleep(0.005)
        act(bench, running)
        ended = running.end()
        assert not bench.on
        return ended


class TestStoppedKeeper:
    @pytest.mark.parametrize(
        "answers_after_s",
        [
            pytest.param(0.0, id="quick meter", marks=pytest.mark.torture),
            pytest.param(2.0, id="slow"),
        ],
    )
    def test_power_is_off_whatever_the_engine_waits_for(
        self, campaign: Campaign, answers_after_s: float
    ) -> None:
        """The engine takes over within a second, also while it waits for a slow meter."""
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
            patient = text.replace("[meter]\n", '[meter]\ntimeout = "10 s"\n')
            bench.file.write_text(patient, encoding="utf-8")
            with campaign.run(bench) as running:
                bench.on_message = stop
                ended = running.end()

        lag_s = bench.first_off_s - stopped[0]
        print(f"keeper stopped, meter after {answers_after_s} s: off in {lag_s:.3f} s")  # noqa: T201
        assert lag_s <= LONGEST_S, ended.screen
        assert ended.code == 3, ended.screen
        assert ended.run["reason"].startswith("keeper_lost")


class TestNobodyThere:
    @pytest.mark.parametrize(
        ("away_s", "why"),
        [
            pytest.param(
                STOPPED_S, "the program got no time to run", marks=pytest.mark.torture, id="stopped"
            ),
            pytest.param(ASLEEP_S, "the computer slept", id="asleep"),
        ],
    )
    def test_power_is_off_as_soon_as_somebody_is_back(
        self,
        campaign: Campaign,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        away_s: float,
        why: str,
    ) -> None:
        """Both processes away: a trip with a reason of its own, and never a release."""
        slept = tmp_path / "slept"
        slept.write_bytes(struct.pack("d", 0.0))
        (tmp_path / "sitecustomize.py").write_text(SLEEPING_CLOCK, encoding="utf-8")
        monkeypatch.setenv("SLEPT_FILE", str(slept))
        path = os.pathsep.join(filter(None, [str(tmp_path), os.environ.get("PYTHONPATH")]))
        monkeypatch.setenv("PYTHONPATH", path)

        def leave(bench: ServedBench, running: Running) -> None:
            both = running.keeper(), running.process.pid
            for pid in both:
                os.kill(pid, signal.SIGSTOP)
            time.sleep(away_s)
            assert bench.on
            if away_s == ASLEEP_S:
                with slept.open("r+b") as file, mmap.mmap(file.fileno(), 8) as shared:
                    shared[:8] = struct.pack("d", away_s)
            for pid in both:
                os.kill(pid, signal.SIGCONT)
            assert bench.wait(on=False, longest_s=LONGEST_S)

        ended = hold_power(campaign, leave)

        assert ended.code == 3, ended.screen
        assert ended.run["outcome"] == "tripped"
        assert ended.run["released"] is False
        assert ended.run["reason"].startswith("unwatched: for ")
        assert why in ended.run["reason"]
