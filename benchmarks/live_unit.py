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

from benchmarks.by_hand import open_session
from benchmarks.served import served_supply
from harness.bench.clock import Clock, SystemClock
from harness.bench.commands import Watch
from harness.bench.keeper import Limits
from harness.bench.open import open_bench
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Level, Plan, PlannedStep
from harness.record.recorder import Recorder
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.unit_model import typical_model
from harness.run.context import Context
from harness.run.steps import STEPS
from harness.run.stop import StopRequest
from harness.wiring import plan_for

__all__ = ["LiveUnit", "Wire", "limits_of", "live_unit"]

PROFILE, BENCH = "mount-controller-board", "bench-simulated-dc"

#: ``in process``: PyVISA on the simulated library, simulated time. ``loopback TCP``: pyvisa-py on a
#: socket, the instruments in another process, real time.
Wire = Literal["in process", "loopback TCP"]

#: About the time between two samples on the run's clock: how long a hold of so many samples takes.
_INTERVAL_S: dict[Wire, float] = {"in process": 0.009, "loopback TCP": 2.5e-4}


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveUnit:
    """A unit under power, with a keeper that watches its last start level.

    Attributes:
        context: What the steps of a run work with; its record is on disk.
        step: The start.
        level: Its last level: nominal voltage, with a charge budget.
        session: A plain PyVISA session with the same supply.
        log: A text file for the script by hand, in the folder of the record.
        clock: The run's clock.
        interval_s: About the time between two samples, on that clock.
    """

    context: Context
    step: PlannedStep
    level: Level
    session: Any
    log: TextIO
    clock: Clock
    interval_s: float

    def hold(self, samples: int) -> float:
        """Hold the level for about so many samples, as a run does.

        Returns:
            Real time a sample took, in seconds.
        """
        settler = self.context.settle(self.step, self.level)
        level = replace(self.level, dwell_s=samples * self.interval_s)
        begin_s = perf_counter()
        hold = self.context.hold(self.step, level, settler, ())
        return (perf_counter() - begin_s) / len(hold.readings["supply.voltage"])


@contextlib.contextmanager
def live_unit(wire: Wire) -> Iterator[LiveUnit]:
    """Bring unit A to nominal voltage; switch it off again on the way out."""
    bench = load_bench(BENCH)
    clock: Clock
    with contextlib.ExitStack() as stack:
        if wire == "in process":
            clock = SimulatedClock()
            model = typical_model(load_profile(PROFILE).unit)
            library: Any = SimulatedBench(model, bench, clock).library()
        else:
            clock, library = SystemClock(), "@py"
            resource = stack.enter_context(served_supply(PROFILE, BENCH))
            supply = bench.supply.model_copy(update={"resource": resource})
            bench = bench.model_copy(update={"supply": supply, "meter": None, "load": None})
        plan = plan_for(load_profile(PROFILE), bench)
        opened = stack.enter_context(open_bench(bench, clock, library=library))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        recorder = stack.enter_context(
            Recorder.create(folder, serial="HP-0007", started=dt.datetime.now(dt.UTC))
        )
        context = Context(
            plan=plan,
            bench=opened,
            clock=clock,
            sink=recorder,
            stop=StopRequest(),
            origin_s=clock.now_s(),
        )
        context.host = opened.power(limits_of(plan), context.event, context.on_sample)
        stack.callback(context.host.power_off)
        step = _without_dwell(plan.steps[0])
        STEPS["start"](context, step)
        context.command(Watch(step.levels[-1]))
        session = open_session(library, bench.supply.resource)
        stack.callback(session.close)
        yield LiveUnit(
            context=context,
            step=step,
            level=step.levels[-1],
            session=session,
            log=stack.enter_context((folder / "by-hand.csv").open("w", encoding="utf-8")),
            clock=clock,
            interval_s=_INTERVAL_S[wire],
        )


def limits_of(plan: Plan) -> Limits:
    """Return the bounds of a profile's envelope."""
    envelope = plan.profile.envelope
    return Limits(
        voltage_v=envelope.voltage_v, current_a=envelope.current_a, power_w=envelope.power_w
    )


def _without_dwell(step: PlannedStep) -> PlannedStep:
    levels = tuple(replace(level, dwell_s=0.0) for level in step.levels)
    return replace(step, checks=(), levels=levels)
