from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from harness.api import run_profile
from harness.bench.clock import SystemClock
from harness.bench.sample import SupplySample
from harness.power.channel import WINDOW
from harness.power.commands import Arm, SwitchOn
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper_client import ProcessPower
from harness.power.process_bench import open_process_bench
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.record.tables import Record
from tests.power.quick_bench import quick_bench
from tests.power.test_outlet import MOST_HELD

LIMITS = OperatingEnvelope(voltage_v=26.4, current_a=1.5, power_w=36.0, load_current_a=1.0)

#: The engine may be told other things than samples in between: what power did, and answers.
OTHERS = 8

PROFILE = """
title = "Resistor"

[unit]
protection_class = "III"
input = { kind = "dc", nominal = "24 V", tolerance = "10 %", current = "1.2 A" }

[envelope]
voltage = "26.4 V"
current = "1.5 A"
power   = "36 W"

[[steps]]
kind          = "start"
levels        = ["100 %"]
current_limit = "1 A"
dwell         = "500 ms"

[[steps.checks]]
name    = "terminals"
measure = "meter.voltage_dc"
low     = "23 V"
high    = "25 V"
rule    = "simple"
"""

DWELL_S = 0.5


@contextmanager
def energised(file: BenchFile, samples: list[SupplySample]) -> Iterator[ProcessPower]:
    """Have a keeper's process hold 24 V on the quick bench."""
    with open_process_bench(file, SystemClock()) as bench:
        bench.identities()
        power = bench.power(LIMITS, lambda *_: None, samples.append)
        power.command(Arm(24.0, 1.0))
        power.command(SwitchOn())
        yield power
        power.power_off()


class TestBound:
    def test_an_engine_that_takes_nothing_finds_a_window_of_samples(self) -> None:
        """However fast the supply and however long the wait: a bounded queue, and then the new."""
        clock, samples = SystemClock(), list[SupplySample]()
        with quick_bench(supply=0.0) as file, energised(file, samples) as power:
            power.sample()
            power.expect_silence(2.0)
            clock.sleep_s(1.0)
            waiting = power._channel._incoming.qsize()
            samples.clear()
            power.sample()

            assert WINDOW / 2 < waiting <= WINDOW + MOST_HELD + OTHERS
            assert len(samples) <= waiting + MOST_HELD
            gaps_s = [after.time_s - before.time_s for before, after in pairwise(samples)]
            assert max(gaps_s) > 0.5


class TestTurns:
    @pytest.mark.parametrize(
        ("supply_s", "meter_s", "longest_s"),
        [(0.0, 0.1, 2.0), (0.1, 0.0, 2.5)],
        ids=["slow meter", "slow supply"],
    )
    def test_supply_and_meter_get_their_turns(
        self,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        supply_s: float,
        meter_s: float,
        longest_s: float,
    ) -> None:
        """Whichever is slow, the hold is not much longer than its dwell, and acts on the new."""
        ages_s: list[float] = []
        usual = ProcessPower.sample

        def aged(self: ProcessPower) -> SupplySample:
            sample = usual(self)
            ages_s.append(self._clock.now_s() - sample.time_s)
            return sample

        monkeypatch.setattr(ProcessPower, "sample", aged)
        profile = tmp_path / "resistor.toml"
        profile.write_text(PROFILE, encoding="utf-8")
        with quick_bench(supply=supply_s, meter=meter_s) as file:
            result = run_profile(
                load_profile(profile), file, serial="HRW-0007", results=tmp_path / "results"
            )

        assert result.outcome == "completed", result.reason
        events = result.record.events.set_index("kind")["time_s"]
        held_s = events["power off"] - events["settled"]
        assert DWELL_S <= held_s < longest_s
        assert max(ages_s) < 0.06  # and what it takes to look at the clock again
        assert _readings(result.record, "meter") >= 5
        assert _readings(result.record, "supply") >= 5


def _readings(record: Record, source: str) -> int:
    return int((record.readings["source"] == source).sum())
