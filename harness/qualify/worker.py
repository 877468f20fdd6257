"""What a worker does: prepare once, then carry unit after unit through the engine."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import metadata

from harness.api import plan_for, simulated_bench_file
from harness.bench.dialect import Dialect, bench_dialects
from harness.judge.verdict import Verdict
from harness.profile.bench_file import BenchFile
from harness.profile.plan import Plan
from harness.profile.schema import Profile
from harness.qualify.memory_link import memory_bench
from harness.qualify.population import Drawn, Population
from harness.qualify.tally_sink import TallySink
from harness.qualify.unit_result import End, Judged, UnitResult
from harness.record.sink import CheckRow
from harness.rehearse.circuit import LetThrough
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.model_file import UnitModelFile
from harness.rehearse.operator import SimulatedOperator
from harness.rehearse.simulated_bench import SimulatedBench
from harness.run.engine import carry_out
from harness.run.result import Outcome, RunInfo, RunResult

__all__ = ["DAY", "Job", "run_units", "software_version"]

#: A campaign knows no day: calibration dates of simulated instruments are far off, and the same
#: campaign must give the same rows next year.
DAY = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)

_ENDS = {Verdict.PASS: End.RELEASED, Verdict.FAIL: End.REJECTED, Verdict.UNDECIDED: End.UNDECIDED}


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """What a worker must know of a campaign; small enough to travel with every call.

    Attributes:
        profile: The profile.
        seed: The campaign's seed.
        faults: Names of the faults, or empty for all.
        model: The unit model the units are drawn around, or None.
        bench: The simulated bench; None for the shipped one that fits the profile.
    """

    profile: Profile
    seed: int
    faults: tuple[str, ...] = ()
    model: UnitModelFile | None = None
    bench: BenchFile | None = None

    @property
    def key(self) -> str:
        """What tells it from any other job."""
        model = None if self.model is None else self.model.model_dump_json()
        parts = [self.profile.model_dump_json(), self.seed, self.faults, model]
        # a journal of the shipped bench keeps its key
        return json.dumps(parts if self.bench is None else [*parts, self.bench.model_dump_json()])

    def population(self) -> Population:
        """Return what draws the units.

        Raises:
            UsageError: Such a unit has no such fault.
            FileError: The unit model does not fit.
        """
        return Population(self.profile.unit, seed=self.seed, faults=self.faults, model=self.model)


def software_version() -> str:
    """Return the version of the harness a worker has; rows of two versions do not mix."""
    try:
        return metadata.version("softwake")
    except metadata.PackageNotFoundError:
        return "not installed"


def run_units(job: Job, indices: Iterable[int]) -> list[str]:
    """Carry units through the engine; runs in a worker.

    Args:
        job: The campaign.
        indices: Numbers of the units.

    Returns:
        A line of the journal for each (:meth:`harness.qualify.unit_result.UnitRow.to_line`).
    """
    place = _place(job)
    return [place.run(index).to_line() for index in indices]


class _Place:
    """A worker's bench: plan, dialects and population, made once."""

    def __init__(self, job: Job) -> None:
        profile = job.profile
        self._bench: BenchFile = job.bench or simulated_bench_file(profile)
        self._unit = profile.unit
        self._plan: Plan = plan_for(profile, self._bench)
        self._dialects: dict[str, Dialect] = bench_dialects(self._bench)
        self._population = job.population()

    def run(self, index: int) -> UnitResult:
        """Carry one unit through the engine."""
        drawn = self._population.draw(index)
        clock = SimulatedClock()
        simulated = SimulatedBench(drawn.model, self._bench, clock, seed=drawn.seed)
        sink = TallySink(f"unit-{index}")
        result = carry_out(
            self._plan,
            connect=lambda: memory_bench(self._bench, clock, simulated.devices, self._dialects),
            clock=clock,
            sink=sink,
            info=RunInfo(
                serial=f"unit-{index}",
                started=DAY,
                rehearsal=True,
                fault=drawn.kind,
                seed=drawn.seed,
            ),
            operator=SimulatedOperator(simulated, self._unit, clock.sleep_s),
        )
        circuit = simulated.circuit
        return _row(drawn, result, sink, circuit.let_through, fuse_open=circuit.fuse.is_open)


#: A worker of a cluster may be asked for one campaign and then for another.
_PLACES: dict[str, _Place] = {}
_MOST_PLACES = 4


def _place(job: Job) -> _Place:
    """Return this worker's bench for a job, made when it is first asked for."""
    key = job.key
    if key not in _PLACES:
        while len(_PLACES) >= _MOST_PLACES:
            _PLACES.pop(next(iter(_PLACES)), None)
        _PLACES[key] = _Place(job)
    return _PLACES[key]


def _row(
    drawn: Drawn, result: RunResult, sink: TallySink, let: LetThrough, *, fuse_open: bool
) -> UnitResult:
    tripped = result.trip is not None
    return UnitResult(
        index=drawn.index,
        kind=drawn.kind,
        severity=drawn.severity,
        clear=drawn.clear,
        seed=drawn.seed,
        end=_end(result),
        trip=result.trip.reason.value if result.trip is not None else "",
        step=sink.step if tripped else "",
        level=sink.level if tripped else "",
        reason=result.reason,
        duration_s=result.duration_s,
        charge_c=let.charge_c,
        energy_j=let.energy_j,
        i2t_a2s=let.i2t_a2s,
        fuse_open=fuse_open,
        checks=tuple(map(_judged, sink.checks)),
    )


def _end(result: RunResult) -> End:
    if result.outcome is Outcome.COMPLETED:
        return _ENDS[result.verdict]
    return End.TRIPPED if result.outcome is Outcome.TRIPPED else End.REFUSED


def _judged(row: CheckRow) -> Judged:
    return Judged(
        step=row.step,
        check=row.check,
        quantity=row.quantity,
        unit=row.unit,
        value=row.value,
        uncertainty=row.uncertainty,
        verdict=row.verdict,
    )
