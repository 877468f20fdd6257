"""A dip in a run of two processes: the keeper's own times it, whatever the engine does."""

from __future__ import annotations

import itertools
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from harness.record import load
from tests.outside.partner import OutsideBench
from tests.outside.runs import TWO, Running, profile_text
from tests.units import BOARD

if TYPE_CHECKING:
    from tests.acceptance.conftest import Campaign

#: Unit A, nominal voltage, two drops of 60 ms with its load.
PROFILE = f"""{BOARD}
[[steps]]
kind          = "start"
levels        = ["50 %", "100 %"]
current_limit = "0.3 A"
dwell         = "100 ms"

[[steps]]
kind     = "dip"
residual = "0 %"
duration = "60 ms"
times    = 2
current  = "0.5 A"
dwell    = "100 ms"

[[steps.checks]]
name    = "time"
measure = "dip.duration"
low     = "40 ms"
high    = "80 ms"

[[steps.checks]]
name    = "5 V rail comes back"
measure = "meter.voltage_dc"
low     = "4.90 V"
high    = "5.10 V"
"""


def times_and_gaps(campaign: Campaign) -> tuple[pd.DataFrame, list[float]]:
    """Carry a run out; return its checks of time, and how long each drop took at the source."""
    with campaign.bench(PROFILE) as bench, campaign.run(bench) as running:
        ended = running.end()
        supply = [said for said in bench.spoken["supply"] if said.message.startswith("VOLT ")]
    assert ended.record is not None, ended.screen
    checks = load(ended.record).checks
    down = [at for at, said in enumerate(supply) if float(said.message.split()[1]) == 0.0]
    apart = [supply[at + 1].time_s - supply[at].time_s for at in down]
    return checks.loc[checks["quantity"] == "dip.duration"], apart


def test_it_lasts_as_long_as_is_asked_for(campaign: Campaign) -> None:
    """60 ms are 60 ms within a few: through engine and pipe they were 98 ms to 253 ms.

    A shared machine pauses when it likes: the best of three. What is told is true in each of them.
    """
    as_asked = False
    for _ in range(3):
        times, apart = times_and_gaps(campaign)
        off_by_s = (times["value"] - apart).abs()
        assert (off_by_s <= times["uncertainty"].clip(lower=0.010)).all(), times
        as_asked = apart == pytest.approx([0.060, 0.060], abs=0.010)
        if as_asked and set(times["verdict"]) == {"pass"}:
            return
    pytest.fail(f"{'known to too little' if as_asked else 'too long'}:\n{times}")


#: Unit A at work without a load: it bridges a tenth of a second. What reads its rail is a meter
#: that takes longer for an answer than the first drop lasts.
READING_S = 0.15
BY_METER = """
[[steps]]
kind          = "dip"
title         = "short"
residual      = "0 %"
duration      = "60 ms"
times         = 2
current_limit = "1 A"
dwell         = "100 ms"

[[steps.checks]]
name    = "time"
measure = "dip.duration"
low     = "20 ms"
high    = "0.1 s"

[[steps.checks]]
name    = "lowest"
measure = "dip.output"
low     = "4.75 V"

[[steps]]
kind          = "dip"
title         = "long"
residual      = "0 %"
duration      = "0.6 s"
current_limit = "1 A"
dwell         = "100 ms"

[[steps.checks]]
name    = "hold-up"
measure = "dip.hold_up"
high    = "0.5 s"

[[steps.checks]]
name    = "lowest"
measure = "dip.output"
high    = "3 V"

[[steps.checks]]
name    = "rail"
measure = "meter.voltage_dc"
low     = "4.90 V"
high    = "5.10 V"
"""
#: Of the rail, down to which it stands.
STANDS_V = 4.75


class Watcher(threading.Thread):
    """Asks the outside bench for its true rail voltage, again and again."""

    def __init__(self, bench: OutsideBench) -> None:
        super().__init__()
        self._bench = bench
        self._over = threading.Event()
        self.seen: list[tuple[float, float]] = []

    def run(self) -> None:
        """Ask until it is over."""
        while not self._over.wait(0.002):
            state = self._bench.control("state")
            self.seen.append((state["t"], state["rail_v"]))

    def end(self) -> None:
        """Ask no more."""
        self._over.set()
        self.join()


def drops(bench: OutsideBench) -> list[tuple[float, float]]:
    """Return when the input went to nothing while it was on, and when it came back."""
    told = [event for event in bench.log if event["what"] in {"set", "power"}]
    volts = [event for event in told if "voltage_v" in event or event["what"] == "power"]
    return [
        (one["t"], other["t"])
        for one, other in itertools.pairwise(volts)
        if one.get("voltage_v") == 0.0 and other.get("voltage_v", 0.0) > 20.0
    ]


def test_a_meter_reads_the_output_and_the_keeper_does_not_wait_for_it(tmp_path: Path) -> None:
    """On a bench that was not written with the product, with a meter slower than the drop.

    60 ms are 60 ms within a few whatever the meter does, and the time for which the rail truly
    stood lies in what the run says of it.
    """
    config = {"load": False, "latency_s": {"meter": READING_S}, "unit": {"board_w": 1.0}}
    profile = profile_text(load=False, levels=TWO, limit="600 mA", idle_w=1.6) + BY_METER
    with OutsideBench(tmp_path, config) as bench, Running(bench, profile) as running:
        watcher = Watcher(bench)
        watcher.start()
        ended = running.end()
        watcher.end()
    assert ended.record is not None, ended.screen
    checks = load(ended.record).checks.set_index("check")
    *short, long = drops(bench)
    for number, (down_s, up_s) in enumerate(short, 1):
        assert up_s - down_s < 0.5 * READING_S + 0.060
        assert checks.loc[f"time at 0 % for 60 ms, {number} of 2", "verdict"] == "pass"
        assert checks.loc[f"lowest at 0 % for 60 ms, {number} of 2", "verdict"] == "undecided"
    assert len(short) == 2
    fell_s = next(t for t, volts in watcher.seen if t > long[0] and volts < STANDS_V)
    row = checks.loc["hold-up at 0 % for 0.6 s"]
    assert abs(row["value"] - (fell_s - long[0])) <= row["uncertainty"]
    assert 0.5 * READING_S < row["uncertainty"] < 2 * READING_S
    assert checks.loc["lowest at 0 % for 0.6 s", "verdict"] == "pass"
    assert checks.loc["rail at 0 % for 0.6 s", "verdict"] == "pass"
