"""Unit A, healthy, brought to nominal voltage by the engine's own start: ready to be sampled."""

from __future__ import annotations

import contextlib
import datetime as dt
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter
from typing import Any, Literal, TextIO

from benchmarks.by_hand import log_samples, open_session
from benchmarks.served import served_supply
from harness.api import plan_for
from harness.bench.clock import Clock, SystemClock
from harness.bench.roles import Instrument
from harness.power.commands import Watch
from harness.power.envelope import OperatingEnvelope
from harness.power.local_bench import open_bench
from harness.power.port import Bench
from harness.profile.bench_file import BenchFile
from harness.profile.level import Level
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan, PlannedStep
from harness.record.recorder import Recorder
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.unit_model import typical_model
from harness.report.page import RunReport
from harness.run.context import Context
from harness.run.operator import StopRequest
from harness.run.rest import Dwell
from harness.run.steps import STEPS

__all__ = ["InHand", "LiveUnit", "Wire", "live_unit", "served_bench", "take_in_hand"]

_PROFILE, _BENCH = "mount-controller-board", "bench-simulated-dc"

#: ``in process``: PyVISA on the simulated library, simulated time. ``loopback TCP``: pyvisa-py on a
#: socket, the instruments in another process, real time.
Wire = Literal["in process", "loopback TCP"]

#: About the time between two samples on the run's clock: how long a hold of so many samples takes.
_INTERVAL_S: dict[Wire, float] = {"in process": 0.009, "loopback TCP": 2.5e-4}


@dataclass(frozen=True, slots=True, kw_only=True)
class InHand:
    """A unit with power in the keeper's hands, as the steps of a run have it.

    Attributes:
        context: What the steps work with; its record is on disk.
        step: The start, without dwell and checks.
        folder: Where the record is.
    """

    context: Context
    step: PlannedStep
    folder: Path

    @property
    def level(self) -> Level:
        """The last level of the start: nominal voltage, with a charge budget."""
        return self.step.levels[-1]

    def start(self) -> None:
        """Bring the unit to nominal voltage; the keeper goes on watching the last level.

        Each time is a first start: nobody is there to measure what is left on the bulk capacitor.
        """
        self.context.energised = False
        STEPS["start"](self.context, self.step)
        self.context.command(Watch(self.level))

    def hold(self, duration_s: float) -> float:
        """Hold nominal voltage for so long on the run's clock, as a run does.

        Returns:
            Real time a sample took, in seconds.
        """
        dwell = Dwell(self.context, self.step, replace(self.level, dwell_s=duration_s))
        dwell.settle()
        begin_s = perf_counter()
        held = dwell.hold()
        return (perf_counter() - begin_s) / len(held.readings["supply.voltage"])


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveUnit:
    """A unit under power, on an instrument that a script can ask in turn.

    Attributes:
        unit: The unit in the keeper's hands, at nominal voltage.
        supply: The supply as the keeper speaks to it.
        session: A plain PyVISA session with the same supply.
        log: A text file for the script, in the folder of the record.
        wire: Where the instruments are.
    """

    unit: InHand
    supply: Instrument
    session: Any
    log: TextIO
    wire: Wire

    def hold(self, samples: int) -> float:
        """Hold for about so many samples; return the real time of one, in seconds."""
        return self.unit.hold(samples * _INTERVAL_S[self.wire])

    def log_by_hand(self, samples: int) -> float:
        """Let the script take so many samples; return the real time of one, in seconds."""
        begin_s = perf_counter()
        log_samples(self.session, self.log, self.unit.context.clock, samples)
        return (perf_counter() - begin_s) / samples


@contextlib.contextmanager
def live_unit(wire: Wire) -> Iterator[LiveUnit]:
    """Bring unit A to nominal voltage; switch it off again on the way out."""
    bench = load_bench(_BENCH)
    clock: Clock
    library: Any
    with contextlib.ExitStack() as stack:
        if wire == "in process":
            clock = SimulatedClock()
            model = typical_model(load_profile(_PROFILE).unit)
            library = SimulatedBench(model, bench, clock).library()
        else:
            clock, library = SystemClock(), "@py"
            bench = stack.enter_context(served_bench())
        opened = stack.enter_context(open_bench(bench, clock, library=library))
        unit = stack.enter_context(take_in_hand(opened, clock))
        session = open_session(library, bench.feed.resource)
        stack.callback(session.close)
        log = stack.enter_context((unit.folder / "by-hand.csv").open("w", encoding="utf-8"))
        unit.start()
        yield LiveUnit(
            unit=unit, supply=opened.instruments["supply"], session=session, log=log, wire=wire
        )


@contextlib.contextmanager
def served_bench() -> Iterator[BenchFile]:
    """Serve a supply with unit A on it in another process; give the bench file that reaches it."""
    bench = load_bench(_BENCH)
    with served_supply(_PROFILE, _BENCH) as resource:
        supply = bench.supply.model_copy(update={"resource": resource})
        yield bench.model_copy(update={"supply": supply, "meter": None, "load": None})


@contextlib.contextmanager
def take_in_hand(bench: Bench, clock: Clock) -> Iterator[InHand]:
    """Give power to a keeper, with a record on disk; power is off on the way out."""
    plan = plan_for(load_profile(_PROFILE), bench.file)
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        started = dt.datetime.now(dt.UTC)
        recorder = Recorder(folder, serial="HRW-0007", started=started, renderer=RunReport())
        stack.callback(recorder.abandon)
        context = Context(
            plan=plan,
            clock=clock,
            sink=recorder,
            stop=StopRequest(),
            origin_s=clock.now_s(),
        )
        context.bench = bench
        context.host = bench.power(_limits(plan), context.event, context.on_sample)
        stack.callback(context.host.power_off)
        yield InHand(context=context, step=_without_dwell(plan.steps[0]), folder=folder)


def _limits(plan: Plan) -> OperatingEnvelope:
    envelope = plan.profile.envelope
    return OperatingEnvelope(
        voltage_v=envelope.voltage_v, current_a=envelope.current_a, power_w=envelope.power_w
    )


def _without_dwell(step: PlannedStep) -> PlannedStep:
    levels = tuple(replace(level, dwell_s=0.0) for level in step.levels)
    return replace(step, checks=(), levels=levels)
