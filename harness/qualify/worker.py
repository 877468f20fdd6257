"""What a worker does: prepare once, then carry unit after unit through the engine."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from functools import lru_cache

from harness.api import plan_for, simulated_bench_file
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.roles import Instrument
from harness.errors import LinkTimeout
from harness.judge.verdict import Verdict
from harness.power.local_bench import LocalBench
from harness.profile.bench_file import BenchFile
from harness.profile.schema import Profile
from harness.qualify.population import Drawn, Mix, Population
from harness.qualify.unit_result import End, Judged, UnitResult
from harness.record.run_summary import Outcome
from harness.record.sink import CheckRow, Sink, Values
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.laws import Laws
from harness.rehearse.model_file import UnitModelFile
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_instruments import SimulatedInstrument
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.engine import carry_out
from harness.run.result import RunInfo, RunResult

#: A campaign knows no day: calibration dates of simulated instruments are far off, and the same
#: campaign must give the same rows next year.
DAY = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)

_ENDS = {Verdict.PASS: End.RELEASED, Verdict.FAIL: End.REJECTED, Verdict.UNDECIDED: End.UNDECIDED}


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """What a worker must know of a campaign; small enough to travel with every call."""

    profile: Profile = field(hash=False)
    seed: int
    #: Names of the faults; empty for all.
    faults: tuple[str, ...] = ()
    mix: Mix = Mix.BOTH
    #: What is assumed of every unit.
    laws: Laws = field(default_factory=Laws)
    #: Number of its first unit in the campaign.
    first: int = 0
    #: What the units are drawn around.
    model: UnitModelFile | None = field(default=None, hash=False)
    #: None for the shipped one that fits the profile.
    bench: BenchFile | None = field(default=None, hash=False)

    def population(self) -> Population:
        """Return what draws the units, or raise as it does."""
        return Population(
            self.profile.unit,
            seed=self.seed,
            faults=self.faults,
            model=self.model,
            laws=self.laws,
            mix=self.mix,
        )


def run_units(job: Job, indices: Iterable[int]) -> list[str]:
    """Carry units through the engine, in a worker; return a line of the journal for each.

    Units are numbered from the first of the job; lines have their numbers in the campaign.
    """
    share = _share_of(job)
    return [share.run(index).to_line() for index in indices]


class Place:
    """A bench for one profile on which units are carried out: plan and dialects, made once."""

    def __init__(self, profile: Profile, bench: BenchFile | None = None) -> None:
        self.bench = bench or simulated_bench_file(profile)
        self._unit = profile.unit
        # A campaign asks what the checks would let pass: an open point is none of a unit's.
        self.plan = replace(plan_for(profile, self.bench), open_points=())
        self._dialects = bench_dialects(self.bench)

    def carry_out(
        self,
        drawn: Drawn,
        sink: Sink,
        *,
        laws: Laws,
        misread: Mapping[tuple[str, str], Callable[[float], float]] | None = None,
    ) -> tuple[RunResult, SimulatedBench]:
        """Carry one unit through the engine; return how it ended, and the bench afterwards.

        What a mistake at the bench makes of a value is in ``misread``, by instrument and quantity.
        """
        clock = SimulatedClock()
        model = replace(drawn.model, feed=self.plan.profile.feed)
        simulated = SimulatedBench(model, self.bench, clock, seed=drawn.seed)
        simulated.misread.update(misread or {})
        result = carry_out(
            self.plan,
            connect=lambda: nullcontext(memory_bench(self.bench, simulated, self._dialects)),
            clock=clock,
            sink=sink,
            info=RunInfo(
                serial=sink.run_id, started=DAY, rehearsal=True, fault=drawn.kind, seed=drawn.seed
            ),
            operator=SimulatedOperator(
                simulated, self._unit, laws, checks=self.plan.profile.checks
            ),
        )
        return result, simulated


class _Campaign:
    """A worker's share of a campaign: its bench and its population, made once."""

    def __init__(self, job: Job) -> None:
        self._place = Place(job.profile, job.bench)
        self._laws = job.laws
        self._population = job.population()
        self._first = job.first

    def run(self, index: int) -> UnitResult:
        """Carry one unit through the engine."""
        drawn = self._population.draw(index)
        tally = _Tally(f"unit-{index}")
        result, simulated = self._place.carry_out(drawn, tally, laws=self._laws)
        ends = {Outcome.COMPLETED: _ENDS[result.verdict], Outcome.TRIPPED: End.TRIPPED}
        tripped = result.trip is not None
        through = simulated.circuit.let_through
        return UnitResult(
            index=self._first + drawn.index,
            kind=drawn.kind,
            severity=drawn.severity,
            clear=drawn.clear,
            seed=drawn.seed,
            end=ends.get(result.outcome, End.REFUSED),
            trip=result.trip.reason.value if result.trip is not None else "",
            step=tally.step if tripped else "",
            level=tally.level if tripped else "",
            reason=result.reason,
            duration_s=result.duration_s,
            charge_c=through.charge_c,
            energy_j=through.energy_j,
            i2t_a2s=through.i2t_a2s,
            fuse_open=simulated.circuit.fuse.is_open,
            checks=tuple(tally.checks),
        )


#: This worker's share of a job: a cluster's worker may be asked for several campaigns.
_share_of = lru_cache(maxsize=4)(_Campaign)


class _Tally:
    """Takes in a run and keeps next to nothing; fulfils :class:`harness.record.sink.Sink`."""

    folder: None = None

    def __init__(self, run_id: str) -> None:
        self.run_id = run_id
        self.checks: list[Judged] = []
        self.step = self.level = ""  # of the last reading

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        del time_s, values, source
        self.step, self.level = step, level

    def check(self, row: CheckRow) -> None:
        self.checks.append(Judged(*(getattr(row, name) for name in Judged.__slots__)))

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in an event; none is kept."""

    def finish(self, run: Mapping[str, object]) -> None:
        """Complete the record: what the run says of itself is in its result already."""

    def abandon(self) -> None:
        """Leave the record without its end."""


class DirectLink:
    """A conversation with one simulated instrument; fulfils :class:`harness.bench.link.Link`.

    Only the transport is a call: engine, keeper, roles, dialects and instruments are those of a
    rehearsal, and a test compares whole runs over PyVISA and without it, reading by reading.
    """

    def __init__(self, device: SimulatedInstrument, name: str, timeout_s: float) -> None:
        self._device = device
        self.name = name
        self.timeout_s = timeout_s

    def write(self, message: str) -> None:
        """Send one message."""
        self._device.write(message.encode("ascii") + b"\n")

    def query(self, message: str) -> str:
        """Return the answer to one message; LinkTimeout at once: it is no question."""
        answer = self._device.ask(message)
        if not answer:
            raise LinkTimeout("no answer in time", instrument=self.name, message=message)
        return answer

    def reopen(self) -> None:
        """Begin the conversation again; between calls there is nothing to forget."""

    def close(self) -> None:
        """End the conversation."""


def memory_bench(
    file: BenchFile, simulated: SimulatedBench, dialects: Mapping[str, Dialect]
) -> LocalBench:
    """Return simulated instruments as a bench, without PyVISA's sessions in between."""
    instruments: dict[str, Instrument] = {}
    for role, table in file.instruments.items():
        name, dialect = f"{role} ({table.resource})", dialects[role]
        link = DirectLink(simulated.devices[table.resource], name, dialect.link.timeout_s)
        instruments[role] = Instrument(link, dialect, simulated.clock)
    return LocalBench(file, simulated.clock, instruments)
