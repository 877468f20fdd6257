"""A bench whose source is set by hand, with a simulated person who turns, for whole rehearsals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from harness.api import plan_for, simulated_unit
from harness.errors import PowerOffUnconfirmed
from harness.power.local_bench import open_bench
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan
from harness.record.recorder import MemoryRecorder
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.hand_source import Hand
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.engine import carry_out
from harness.run.result import RunInfo, RunResult
from tests.units import SHUTTER

STARTED = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)

HEAD = f"""purpose = "pre-check"
{SHUTTER}
[[steps]]
kind = "start"
levels = ["10 %", "39 %", "100 %"]
current_limit = "0.5 A"
dwell = "1 s"
"""
NOMINAL = """
[[steps]]
kind = "nominal"
dwell = "2 s"

[[steps.checks]]
name = "idle power"
measure = "supply.power"
low = "0.8 W"
high = "2.7 W"

[[steps.checks]]
name = "power factor"
measure = "power_meter.power_factor"
low = 0.2
high = 0.9
"""
LOADED = """
[[steps]]
kind = "load"
load = "resistor 22 ohm"
dwell = "1 s"

[[steps.checks]]
name = "24 V rail"
measure = "meter.voltage_dc"
low = "23.3 V"
high = "24.7 V"
"""


@dataclass
class Ran:
    """One rehearsal, and every message by instrument as it came, in one list."""

    result: RunResult | None
    unconfirmed: PowerOffUnconfirmed | None
    events: pd.DataFrame
    checks: pd.DataFrame
    readings: pd.DataFrame
    said: list[tuple[str, str]]
    simulated: SimulatedBench

    def told(self, kind: str) -> list[str]:
        """Return the details of every event of a kind."""
        return list(self.events[self.events["kind"] == kind]["detail"])


def bench_by_hand() -> BenchFile:
    """Return the shipped bench without an AC source."""
    return load_bench("bench-by-hand")


def planned(tmp_path: Path, text: str, bench: BenchFile) -> Plan:
    """Return the plan of a profile's text on a bench."""
    path = tmp_path / "profile.toml"
    path.write_text(text, encoding="utf-8")
    return plan_for(load_profile(path), bench)


def rehearse_by_hand(
    tmp_path: Path,
    text: str = HEAD + NOMINAL,
    *,
    hand: Hand = "steady",
    fault: str | None = None,
    bench: BenchFile | None = None,
    bend: Callable[[SimulatedBench, str, str], str | None] = lambda *_: None,
) -> Ran:
    """Rehearse a profile; ``bend`` may put another answer in the place of an instrument's own."""
    file = bench or bench_by_hand()
    plan = planned(tmp_path, text, file)
    clock = SimulatedClock()
    simulated = SimulatedBench(simulated_unit(plan.profile, fault), file, clock, seed=1)
    assert simulated.hand is not None
    simulated.hand.hand = hand
    said: list[tuple[str, str]] = []
    for key, table in file.instruments.items():
        device = simulated.devices[table.resource]

        def ask(message: str, key: str = key, own: Callable[[str], str] = device.ask) -> str:
            said.append((key, message.strip()))
            answer = own(message)
            return bend(simulated, key, message.strip()) or answer

        device.ask = ask  # type: ignore[method-assign]
    sink = MemoryRecorder(serial="HRW-0007", started=STARTED)
    result, unconfirmed = None, None
    try:
        result = carry_out(
            plan,
            connect=lambda: open_bench(file, clock, library=simulated.library()),
            clock=clock,
            sink=sink,
            info=RunInfo(serial="HRW-0007", started=STARTED, rehearsal=True),
            operator=SimulatedOperator(simulated, plan.profile.unit),
        )
    except PowerOffUnconfirmed as error:
        unconfirmed = error
    frames = sink.frames()
    return Ran(result, unconfirmed, frames.events, frames.checks, frames.readings, said, simulated)
