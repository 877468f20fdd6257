"""A profile of one's own on the simulated bench, with everything a test may want to look at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.power.local_bench import open_bench
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import MeterRange
from harness.profile.load import load_profile
from harness.profile.unit_at_hand import UnitAtHand
from harness.record.recorder import MemoryRecorder
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_instruments import SimulatedInstrument
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.engine import carry_out
from harness.run.operator import Operator, StopRequest
from harness.run.result import RunInfo, RunResult
from tests.units import BOARD, CHARGER, SHUTTER

STARTED = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)

HEADS = {"dc": BOARD, "ac": SHUTTER, "charger": CHARGER}
START = """
[[steps]]
kind = "start"
levels = ["10 %", "25 %", "50 %", "75 %", "100 %"]
current_limit = "LIMIT"
dwell = "0.3 s"
"""
LIMITS = {"dc": "0.3 A", "ac": "0.5 A", "charger": "0.5 A"}


@dataclass
class Ran:
    """One run and what it left."""

    result: RunResult
    checks: pd.DataFrame
    events: pd.DataFrame
    readings: pd.DataFrame
    bench: SimulatedBench
    sink: MemoryRecorder

    def said(self, kind: str) -> list[str]:
        """Return the details of the events of a kind."""
        return list(self.events.loc[self.events["kind"] == kind, "detail"])

    def verdict(self, check: str) -> str:
        """Return the verdict of a check."""
        return str(self.checks.set_index("check").loc[check, "verdict"])

    @property
    def energised(self) -> bool:
        """Whether power has been on."""
        return "power on" in set(self.events["kind"])


#: Runs the steps of a text on a unit: kind of input, text before the start, text after it.
RunSteps = Callable[..., Ran]


@pytest.fixture
def run_steps(tmp_path: Path) -> RunSteps:
    """Return a function that runs steps before and after a start on a simulated unit."""

    def run(
        kind: str,
        *,
        cold: str = "",
        after: str = "",
        fault: str | None = None,
        operator: Callable[[SimulatedBench], Operator] | None = None,
        meter_range: bool = True,
        without: tuple[str, ...] = (),
        stop: StopRequest | None = None,
        seed: int = 1,
        bend: Callable[[dict[str, SimulatedInstrument]], None] = lambda _devices: None,
        bench: Callable[[BenchFile], BenchFile] = lambda file: file,
        at_hand: UnitAtHand | None = None,
        rehearsal: bool = True,
    ) -> Ran:
        path = tmp_path / "profile.toml"
        start = START.replace("LIMIT", LIMITS[kind])
        path.write_text(HEADS[kind] + cold + start + after, encoding="utf-8")
        profile = load_profile(path)
        file = simulated_bench_file(profile)
        file = file.model_copy(update=dict.fromkeys(without))
        if file.meter is not None and not meter_range:
            unknown = file.meter.model_copy(update={"range": MeterRange()})
            file = file.model_copy(update={"meter": unknown})
        file = bench(file)
        clock = SimulatedClock()
        simulated = SimulatedBench(simulated_unit(profile, fault), file, clock, seed=seed)
        roles = file.instruments
        bend({role: simulated.devices[roles[role].resource] for role in roles})
        sink = MemoryRecorder(serial="HRW-0007", started=STARTED)
        operator_actions: Operator
        if operator is None:
            operator_actions = SimulatedOperator(simulated, profile.unit)
        else:
            operator_actions = operator(simulated)
        result = carry_out(
            plan_for(profile, file, at_hand=at_hand),
            connect=lambda: open_bench(file, clock, library=simulated.library()),
            clock=clock,
            sink=sink,
            info=RunInfo(serial="HRW-0007", started=STARTED, rehearsal=rehearsal),
            operator=operator_actions,
            stop=stop,
        )
        frames = sink.frames()
        return Ran(result, frames.checks, frames.events, frames.readings, simulated, sink)

    return run
