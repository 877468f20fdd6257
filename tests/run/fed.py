"""A bench without a circuit: readings come from functions of time, as fast as a test wants them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NoReturn

from harness.api import plan_for, simulated_bench_file
from harness.bench.sample import SupplySample
from harness.errors import UnexpectedReply
from harness.power.commands import Command
from harness.power.trip import Trip, Tripped, TripReason
from harness.profile.level import Level
from harness.profile.load import load_profile
from harness.profile.plan import PlannedStep
from harness.profile.step import Rest
from harness.record.recorder import MemoryRecorder
from harness.record.sink import Sink
from harness.rehearse.clock import SimulatedClock
from harness.run.context import Context
from harness.run.operator import StopRequest
from harness.run.rest import Dwell, Hold

#: Voltage (V) and current (A) of the supply at a time (s).
Readings = Callable[[float], tuple[float, float]]

STARTED = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)


class FedMeter:
    """A meter that reads what a function of time says.

    Attributes:
        out_of_step_from_s: From when on its answers belong to other questions.
    """

    def __init__(self, clock: SimulatedClock, value: Callable[[float], float]) -> None:
        self.longest_s = 1.0
        self.out_of_step_from_s = math.inf
        self._clock = clock
        self._value = value

    def read(self, quantity: str) -> dict[str, float]:
        """Return the value of now."""
        return {quantity: self._value(self._clock.now_s())}

    def check_in_sync(self) -> None:
        """See that its answers are its own."""
        if self._clock.now_s() >= self.out_of_step_from_s:
            raise UnexpectedReply("it answers '5.0'", instrument="meter", message="*IDN?")


class FedPower:
    """Power that a function of time describes; what cuts it is raised, as a keeper does."""

    live = True
    pending = False

    def __init__(
        self, clock: SimulatedClock, readings: Readings, interval_s: float, context: Context
    ) -> None:
        self._clock = clock
        self._readings = readings
        self._interval_s = interval_s
        self._context = context

    def sample(self) -> SupplySample:
        """Return the next sample."""
        self._clock.sleep_s(self._interval_s)
        now_s = self._clock.now_s()
        voltage_v, current_a = self._readings(now_s)
        sample = SupplySample(
            time_s=now_s,
            voltage_v=voltage_v,
            current_a=current_a,
            power_w=voltage_v * current_a,
            limiting=None,
            protection=False,
        )
        self._context.on_sample(sample)
        return sample

    def read(self, _role: str, *_quantities: str) -> Mapping[str, float]:
        """Return one load reading."""
        return {"voltage": 5.0, "current": 1.0, "power": 5.0}

    def command(self, command: Command) -> None:
        """Nothing is there to obey."""

    def expect_silence(self, longest_s: float) -> None:
        """Nobody listens."""

    def cut(self, reason: TripReason, detail: str) -> NoReturn:
        """Cut power."""
        raise Tripped(Trip(reason=reason, detail=detail, time_s=self._clock.now_s(), live=True))

    def power_off(self) -> None:
        """It is off."""


class FedBench:
    """The mount controller board at nominal voltage, with readings a test decides.

    Args:
        readings: Voltage and current of the supply at a time; the clock begins at 0.
        interval_s: Time from one sample to the next.
        dwell_s: How long the level is held.
        meter: What the meter reads at a time.
        sink: Where the record goes; None: into memory.
        rest: What counts as at rest.
    """

    def __init__(
        self,
        readings: Readings,
        *,
        interval_s: float = 0.01,
        dwell_s: float = 60.0,
        meter: Callable[[float], float] = lambda _: 5.0,
        sink: Sink | None = None,
        rest: Rest | None = None,
    ) -> None:
        profile = load_profile("mount-controller-board")
        self.file = simulated_bench_file(profile)
        self.clock = SimulatedClock()
        self.meter: Any = FedMeter(self.clock, meter)
        self.readers = {"meter": self.meter}
        self.sink = sink or MemoryRecorder(serial="HRW-0007", started=STARTED)
        step = plan_for(profile, self.file).steps[1]
        self.step: PlannedStep = replace(step, rest=rest or Rest())
        self.level = Level(label="nominal", voltage_v=24.0, current_limit_a=0.9, dwell_s=dwell_s)
        bench: Any = self
        self.context = Context(
            plan=plan_for(profile, self.file),
            clock=self.clock,
            sink=self.sink,
            stop=StopRequest(),
        )
        self.context.bench = bench
        self.context.host = FedPower(self.clock, readings, interval_s, self.context)

    def hold(self, *measures: str) -> Hold:
        """Let it settle, and hold it."""
        return Dwell(self.context, self.step, self.level).settle().hold(measures)

    def said(self, kind: str) -> list[str]:
        """Return the details of the events of a kind."""
        assert isinstance(self.sink, MemoryRecorder)
        events = self.sink.frames().events
        return list(events.loc[events["kind"] == kind, "detail"])
