from __future__ import annotations

from contextlib import nullcontext

import pytest

from harness.api import plan_for, simulated_bench_file
from harness.bench.dialect import bench_dialects
from harness.errors import LinkTimeout
from harness.power.local_bench import open_bench
from harness.profile.accuracy import Accuracy
from harness.profile.load import load_profile
from harness.qualify.population import Population
from harness.qualify.unit_result import End, UnitResult
from harness.qualify.worker import DAY, DirectLink, Job, memory_bench, run_units
from harness.record.recorder import MemoryRecorder
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.run.engine import carry_out
from harness.run.result import RunInfo

DC, AC = "mount-controller-board", "dome-shutter-power-unit"


def recorded(name: str, index: int, *, direct: bool) -> MemoryRecorder:
    """One unit, with every reading kept, over PyVISA or without it."""
    profile = load_profile(name)
    file = simulated_bench_file(profile)
    drawn = Population(profile.unit, seed=7).draw(index)
    clock = SimulatedClock()
    bench = SimulatedBench(drawn.model, file, clock, seed=drawn.seed)
    sink = MemoryRecorder(serial="HRW-0007", started=DAY, token="0000")  # noqa: S106 - part of a name
    carry_out(
        plan_for(profile, file),
        connect=lambda: (
            nullcontext(memory_bench(file, bench, bench_dialects(file)))
            if direct
            else open_bench(file, clock, library=bench.library())
        ),
        clock=clock,
        sink=sink,
        info=RunInfo(serial="HRW-0007", started=DAY, rehearsal=True),
    )
    return sink


class TestDirectBench:
    @pytest.mark.parametrize("name", [DC, AC])
    @pytest.mark.parametrize("index", [0, 1, 7, 13, 19])
    def test_a_run_is_the_same_as_over_pyvisa(self, name: str, index: int) -> None:
        """Every reading, event and check is the same whether PyVISA carries the text or a call."""
        over_pyvisa = recorded(name, index, direct=False).frames()
        without = recorded(name, index, direct=True).frames()

        assert len(without.readings) >= 3
        assert without.readings.equals(over_pyvisa.readings)
        assert without.events.equals(over_pyvisa.events)
        assert without.checks.equals(over_pyvisa.checks)
        assert without.run["reason"] == over_pyvisa.run["reason"]

    def test_what_is_no_question_has_no_answer(self) -> None:
        """A message without an answer is a missed time-out, as on any link."""
        profile = load_profile(DC)
        file = simulated_bench_file(profile)
        drawn = Population(profile.unit, seed=1).draw(0)
        bench = SimulatedBench(drawn.model, file, SimulatedClock())
        link = DirectLink(bench.devices[file.supply.resource], "supply", 1.0)

        with pytest.raises(LinkTimeout, match="no answer in time"):
            link.query("*CLS")
        assert "PS-200" in link.query("*IDN?")


class TestRows:
    def test_the_order_of_units_does_not_matter(self) -> None:
        """A unit gives the same line whatever ran before it in the same worker."""
        job = Job(profile=load_profile(DC), seed=2)
        forward = run_units(job, [1, 3, 5, 7])
        other = Job(profile=load_profile(DC), seed=3)
        run_units(other, [1])

        assert run_units(job, [7, 5, 3, 1]) == forward[::-1]

    def test_a_job_may_have_a_bench_of_its_own(self) -> None:
        """On a bench that reads worse, the same unit gives other readings: it is another job."""
        profile = load_profile(DC)
        usual = simulated_bench_file(profile)
        accuracy = {**usual.supply.accuracy, "current": Accuracy.parse("2 % + 20 mA", "A")}
        worse = usual.model_copy(
            update={"supply": usual.supply.model_copy(update={"accuracy": accuracy})}
        )
        jobs = [Job(profile=profile, seed=2, bench=bench) for bench in (None, usual, worse)]
        plain, same, other = (run_units(job, [0]) for job in jobs)

        assert plain == same
        assert plain != other
        assert len(set(jobs)) == 3

    def test_a_row_tells_what_the_run_came_to(self, rows_a: tuple[UnitResult, ...]) -> None:
        """A tripped unit has reason and place, a completed one its checks."""
        for row in rows_a:
            if row.end is End.TRIPPED:
                assert row.trip
                assert (row.step, row.level) != ("", "")
                assert row.caught_by == (row.trip,)
            else:
                assert row.trip == row.step == row.level == ""
                assert len(row.checks) >= 4
            assert (row.end is End.RELEASED) == (row.caught_by == ())

    def test_healthy_units_let_nothing_through(self, rows_a: tuple[UnitResult, ...]) -> None:
        """Charge and energy count in a fault's path alone."""
        for row in rows_a:
            if row.kind == "healthy":
                assert (row.charge_c, row.energy_j, row.i2t_a2s) == (0.0, 0.0, 0.0)
            elif row.kind.startswith("shorted"):
                assert row.charge_c > 0.0
                assert row.i2t_a2s > 0.0
