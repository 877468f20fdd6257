"""Whole runs in processes of their own: the contact in the feed is open whatever ends a run."""

from __future__ import annotations

import os
import signal
import sys
import time
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.acceptance.conftest import Campaign, Ended, Running, ServedBench

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="finds the keeper's process in /proc, and sends POSIX signals"
)

#: Longest time from what ends a run to an open contact: as for the output of the supply.
LONGEST_S = 2.0


def kill_engine(_: ServedBench, running: Running) -> None:
    running.process.kill()


def kill_keeper(_: ServedBench, running: Running) -> None:
    os.kill(running.keeper(), signal.SIGKILL)


def hold_output_on(bench: ServedBench, running: Running) -> None:
    """Let the supply take no more message that would switch it off, then end the run."""
    bench.links["supply"].inject("output-stays-on")
    running.process.terminate()


#: What ends a run, with its exit code.
ENDINGS = {
    "engine killed": (kill_engine, -9),
    "keeper killed": (kill_keeper, 3),
    "output stays on": (hold_output_on, 6),
}


def test_the_contact_is_open_whatever_ends_a_run(campaign: Campaign) -> None:
    """Engine killed, keeper killed, an output that stays on: the unit is off within two seconds."""

    def carry_out(how: str) -> tuple[float, Ended]:
        act, _ = ENDINGS[how]
        with campaign.bench(switch=True) as bench, campaign.run(bench) as running:
            assert bench.wait(on=True, longest_s=20.0)
            act(bench, running)
            begin_s = time.monotonic()
            while bench.contact_closed and time.monotonic() < begin_s + 2 * LONGEST_S:
                time.sleep(0.01)
            took_s = time.monotonic() - begin_s
            ended = running.end()
            assert not bench.contact_closed, how
            bench.links["supply"].heal()
            assert bench.wait(on=False, longest_s=2.0), how
            return took_s, ended

    for how, (took_s, ended) in campaign.each([*ENDINGS], carry_out):
        assert ended.code == ENDINGS[how][1], (how, ended.screen)
        assert took_s <= LONGEST_S, how
        if how == "output stays on":
            assert "the contact in the feed is open, and says so" in ended.screen
        assert "CONTACT IN THE FEED IS NOT KNOWN" not in ended.screen, how


def test_a_switch_that_does_not_answer_is_refused_before_power(campaign: Campaign) -> None:
    """Nothing is energised without the way off that the bench file names."""
    with campaign.bench(switch=True) as bench:
        bench.links["switch"].inject("silence", at="ROUT:CLOS?")
        with campaign.run(bench) as running:
            ended = running.end()

    assert ended.code == 5, ended.screen
    assert not bench.switched
    assert "switch" in ended.run["reason"]


def test_a_weld_is_told_in_capitals_on_screen_page_and_in_the_record(campaign: Campaign) -> None:
    """A contact that welds under power: tripped, not released, and nobody can overlook it."""
    told = "THE CONTACT IN THE FEED IS NOT KNOWN TO BE OPEN"
    with campaign.bench(switch=True) as bench, campaign.run(bench) as running:
        assert bench.wait(on=True, longest_s=20.0)
        bench.links["switch"].inject("welded-contact")
        ended = running.end()

    assert ended.code == 3, ended.screen
    assert not bench.on
    assert ended.run["reason"].startswith("contact_welded: ")
    assert ended.run["released"] is False
    assert any(told in warning for warning in ended.run["warnings"])
    assert told in " ".join(ended.screen.split())
    assert ended.record is not None
    assert told in (ended.record / "report.html").read_text(encoding="utf-8")
