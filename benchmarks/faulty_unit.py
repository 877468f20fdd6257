"""Unit A with a fault, brought up by the harness and by a script, on the simulated bench."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any

from benchmarks.by_hand import BringUp, bring_up, open_session
from harness.api import plan_for, simulated_bench_file
from harness.power.local_bench import open_bench
from harness.profile.load import load_profile
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.rehearse.circuit import DC_SUPPLY, circuit_of
from harness.rehearse.circuit.windowed_means import LetThrough
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.run.engine import carry_out
from harness.run.result import RunInfo

__all__ = ["Faulted", "by_hand", "by_harness", "from_capacitors", "unit_a", "with_defect"]

PROFILE = load_profile("mount-controller-board")
BENCH = simulated_bench_file(PROFILE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Faulted:
    """What came of a bring-up.

    Attributes:
        let_through: Charge, energy and I2t in the fault path, from the circuit's own ledger.
        on_s: Simulated time from output on to output off.
        ending: What ended it.
    """

    let_through: LetThrough
    on_s: float
    ending: str


def unit_a() -> UnitModel:
    """Return a healthy unit A."""
    return typical_model(PROFILE.unit)


def with_defect(model: UnitModel, **defect: Any) -> UnitModel:
    """Return a unit with one of the fields of its defects changed."""
    return replace(model, defects=replace(model.defects, **defect))


def by_harness(model: UnitModel) -> Faulted:
    """Bring a faulty unit up as a rehearsal of its profile does.

    Raises:
        RuntimeError: The fault was not found, so that there is nothing to compare.
    """
    clock = SimulatedClock()
    simulated = SimulatedBench(model, BENCH, clock)
    started = dt.datetime.now(dt.UTC)
    recorder = MemoryRecorder(serial="HRW-0009", started=started)
    result = carry_out(
        plan_for(PROFILE, BENCH),
        connect=lambda: open_bench(BENCH, clock, library=simulated.library()),
        clock=clock,
        sink=recorder,
        info=RunInfo(serial="HRW-0009", started=started, rehearsal=True),
    )
    if result.outcome is not Outcome.TRIPPED or result.trip is None:
        raise RuntimeError(f"the faulty unit was not found out: {result.reason}")
    events = recorder.frames().events
    times = dict(zip(events["kind"], events["time_s"], strict=True))
    return Faulted(
        let_through=simulated.circuit.let_through,
        on_s=times["power off"] - times["power on"],
        ending=result.trip.reason.value.replace("_", " "),
    )


def by_hand(model: UnitModel, how: BringUp) -> Faulted:
    """Bring a faulty unit up as a script does."""
    clock = SimulatedClock()
    simulated = SimulatedBench(model, BENCH, clock)
    session = open_session(simulated.library(), BENCH.feed.resource)
    on_s = bring_up(session, clock, how)
    session.close()
    fuse = "fuse blown" if simulated.circuit.fuse.is_open else "fuse whole"
    return Faulted(let_through=simulated.circuit.let_through, on_s=on_s, ending=fuse)


def from_capacitors(model: UnitModel) -> LetThrough:
    """Return what the capacitors alone put through a part that breaks over.

    The supply charges them at the limit of the profile's start and is switched off at the very
    moment the part gives way: no way of starting the unit can put less through.
    """
    circuit = circuit_of(model, DC_SUPPLY)
    level = plan_for(PROFILE, BENCH).steps[0].levels[-1]
    circuit.set_source(voltage_v=level.voltage_v, current_limit_a=level.current_limit_a, on=True)
    while circuit.let_through.energy_j <= 0.0:
        if circuit.time_s > 1.0:
            raise RuntimeError("no part of this unit breaks over on the way to nominal voltage")
        circuit.advance_to(circuit.time_s + 1e-5)
    circuit.set_source(on=False)
    circuit.advance_to(circuit.time_s + 1.0)
    return circuit.let_through
