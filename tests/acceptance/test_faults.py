from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import pytest

from harness.api import plan_for, rehearse_profile, simulated_bench_file, simulated_unit
from harness.errors import ExitCode, UsageError
from harness.power.local_bench import open_bench
from harness.power.trip import TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.load import load_profile
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.record.tables import Record
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.faults import FAULTS
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.rehearse.worn_faults import WORN_FAULTS
from harness.run.engine import carry_out
from harness.run.result import RunInfo, RunResult
from tests.repeats import repeats

PROFILES = {"dc": "mount-controller-board", "ac": "dome-shutter-power-unit"}
#: The profile of the board that loads it.
LOADED = "mount-controller-full-release"


@dataclass
class Rehearsed:
    """One rehearsal with the bench it ran on, to look inside."""

    result: RunResult
    record: Record
    bench: SimulatedBench
    budgets: dict[str, InrushAllowance]
    limit_a: float
    kinds: dict[str, str]


def at_full_load(run: Rehearsed) -> set[tuple[str, str]]:
    """Step and measure of every check, with its verdict; of one at several loads, the last."""
    last = {}
    for row in run.record.checks.itertuples():
        kind = run.kinds[str(row.step)]
        name = str(row.check).partition(" at ")[0] if kind == "load" else row.check
        last[row.step, name] = (f"{kind}: {row.quantity}", row.verdict)
    return set(last.values())


@cache
def rehearsed(kind: str, fault: str | None, seed: int = 1) -> Rehearsed:
    """Rehearse once for every test that looks at it."""
    return rehearse(kind, fault, seed)


def rehearse(kind: str, fault: str | None, seed: int) -> Rehearsed:
    profile = load_profile(PROFILES[kind])
    if fault is not None and FAULTS[fault].out_of_reach(profile):
        profile = load_profile(LOADED)
    file = simulated_bench_file(profile)
    clock = SimulatedClock()
    bench = SimulatedBench(simulated_unit(profile, fault), file, clock, seed=seed)
    plan = plan_for(profile, file)
    started = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)
    sink = MemoryRecorder(serial="HRW-0007", started=started)
    result = carry_out(
        plan,
        connect=lambda: open_bench(file, clock, library=bench.library()),
        clock=clock,
        sink=sink,
        info=RunInfo(serial="HRW-0007", started=started, rehearsal=True, fault=fault),
        operator=SimulatedOperator(bench, profile.unit),
    )
    start = next(step for step in plan.steps if step.kind == "start").levels
    return Rehearsed(
        result=result,
        record=sink.frames(),
        bench=bench,
        budgets={level.label: level.budget for level in start if level.budget},
        limit_a=start[0].current_limit_a,
        kinds={step.name: step.kind for step in plan.steps},
    )


#: Each fault on each kind of unit that can have it; units that work and are worn stand in
#: ``test_worn_units.py``, those of a boost stage and of a charger have tests of their own.
EVERY = [
    (kind, name)
    for name, fault in FAULTS.items()
    if fault not in WORN_FAULTS
    for kind in sorted(fault.kinds)
    if fault.fits(kind)
]
#: What must keep a unit with the usual severity from release, in the shipped profiles: reasons for
#: which power is cut, any one of them.
TRIPS = {
    ("dc", "shorted-input"): {"charge_budget"},
    # An AC source folds back within some half-cycles; until then it gives its peak current. Which
    # bound is met first goes with the phase of the line at which it comes on.
    ("ac", "shorted-input"): {"over_current", "energy_budget"},
    ("dc", "shorted-varistor"): {"charge_budget"},
    ("ac", "shorted-varistor"): {"over_current", "energy_budget"},
    ("dc", "shorted-switch"): {"charge_budget"},
    ("ac", "shorted-switch"): {"energy_budget"},
    ("dc", "switch-breakdown"): {"charge_budget"},
    ("ac", "switch-breakdown"): {"over_current", "energy_budget"},
    ("dc", "leaky-bulk-capacitor"): {"charge_budget"},
    ("ac", "leaky-bulk-capacitor"): {"energy_budget"},
    # At full load the bulk of the AC unit runs dry in every half-cycle: the converter hunts.
    ("ac", "weak-bulk-capacitor"): {"unsettled"},
    ("dc", "intermittent-contact"): {"unsettled", "voltage_not_reached"},
    ("ac", "intermittent-contact"): {"unsettled", "voltage_not_reached", "energy_budget"},
    ("dc", "idle-over-consumption"): {"charge_budget"},
    ("ac", "idle-over-consumption"): {"energy_budget"},
    ("ac", "shorted-bridge-diode"): {"over_current", "energy_budget"},
}
DEAD = {"nominal: meter.voltage_dc", "nominal: supply.power"}
#: And where the run completes, checks that must all fail; in a load step, at full load.
CHECKS = {
    ("dc", "open-fuse"): DEAD,
    ("ac", "open-fuse"): DEAD,
    ("dc", "weak-bulk-capacitor"): {"nominal: meter.voltage_ac"},
    ("dc", "open-rectifier-diode"): DEAD,
    ("ac", "open-rectifier-diode"): {"load: power_factor"},
    ("dc", "output-low"): {"nominal: meter.voltage_dc"},
    ("ac", "output-low"): {"nominal: meter.voltage_dc"},
    ("dc", "output-high"): {"nominal: meter.voltage_dc"},
    ("ac", "output-high"): {"nominal: meter.voltage_dc"},
    ("dc", "current-limit-folded-back"): {"load: meter.voltage_dc", "load: supply.power"},
    ("ac", "current-limit-folded-back"): {"load: meter.voltage_dc", "load: load_regulation"},
    ("dc", "no-start"): DEAD,
    ("ac", "no-start"): DEAD,
}
#: A short or leak whose let-through the start must keep inside its budget.
PATHS = [key for key in TRIPS if key[1].startswith(("shorted", "switch", "leaky"))]


class TestEveryFault:
    @pytest.mark.parametrize(("kind", "fault"), EVERY)
    def test_it_is_known_what_must_find_it(self, kind: str, fault: str) -> None:
        """For every fault there are reasons of a trip, or checks that do not pass, and not both."""
        trips, fails = TRIPS.get((kind, fault), set()), CHECKS.get((kind, fault), set())

        assert {TripReason(reason) for reason in trips} <= set(TripReason)
        assert bool(trips) != bool(fails)

    @pytest.mark.parametrize("seed", repeats([1, 2, 3]))
    @pytest.mark.parametrize(("kind", "fault"), TRIPS)
    def test_power_is_cut_for_the_right_reason(self, kind: str, fault: str, seed: int) -> None:
        """A fault that endangers the unit ends in a trip by its own reason, never in a release."""
        run = rehearsed(kind, fault, seed)

        assert run.result.outcome is Outcome.TRIPPED
        assert run.result.trip is not None
        assert run.result.trip.reason.value in TRIPS[kind, fault]
        assert run.result.exit_code is not ExitCode.RELEASE
        assert not run.bench.circuit.source_on

    @pytest.mark.parametrize("seed", repeats([1, 2, 3]))
    @pytest.mark.parametrize(("kind", "fault"), CHECKS)
    def test_the_right_checks_do_not_pass(self, kind: str, fault: str, seed: int) -> None:
        """A fault that endangers nothing at first power ends in failed checks, never a release."""
        run = rehearsed(kind, fault, seed)

        assert run.result.outcome is Outcome.COMPLETED
        failed = {name for name, verdict in at_full_load(run) if verdict == "fail"}
        assert failed >= CHECKS[kind, fault]
        assert run.result.exit_code is not ExitCode.RELEASE
        assert not run.bench.circuit.source_on

    @pytest.mark.parametrize(("kind", "fault"), PATHS)
    def test_what_goes_through_the_fault_stays_inside_the_budget(
        self, kind: str, fault: str
    ) -> None:
        """Charge (AC: energy) through the fault is bounded by the level's budget.

        The bound is what the level may take at all, one more interval between readings, and what
        the capacitors held already when the part gave way.
        """
        run = rehearsed(kind, fault)
        let = run.bench.circuit.let_through
        readings = run.record.readings
        level = readings["level"].iloc[-1]
        budget = run.budgets[level]
        entered = readings[(readings["level"] == level) & (readings["source"] == "supply")]
        times = entered["time_s"].unique()
        gap_s = max(b - a for a, b in pairwise(times)) if len(times) > 1 else 0.1
        model = run.bench.circuit.model
        held_f = model.bulk.capacitance_f + run.bench.circuit.source.output_capacitance_f
        top_v = budget.to_v * budget.peak_factor

        if kind == "dc":
            stored_c = held_f * top_v
            allowed_c = (1 + budget.charge_factor) * budget.healthy + 3 * run.limit_a * gap_s
            leak_c = sum(one.leakage_a * 1.5 for one in run.budgets.values())
            assert let.charge_c <= allowed_c + stored_c + leak_c
        else:
            stored_j = 0.5 * held_f * top_v**2
            window_s = max(gap_s, budget.window_s)
            peak_w = budget.to_v * run.limit_a * run.bench.circuit.source.crest_factor
            allowed_j = (1 + budget.charge_factor) * budget.healthy + 3 * peak_w * window_s
            leak_j = sum((one.idle_power_w + 1.0) * 1.5 for one in run.budgets.values())
            assert let.energy_j <= allowed_j + stored_j + leak_j

    def test_a_short_is_off_within_five_readings(self) -> None:
        """A short at the input is off after at most five readings of the supply."""
        run = rehearsed("dc", "shorted-input")

        supply = run.record.readings.query("source == 'supply' and quantity == 'current'")
        assert len(supply) <= 5


class TestHealthyUnits:
    @pytest.mark.parametrize("kind", PROFILES)
    @pytest.mark.parametrize("seed", repeats(range(1, 6), first=2))
    def test_a_healthy_unit_passes(self, kind: str, seed: int) -> None:
        """A healthy unit passes every check whatever the errors of the instruments."""
        run = rehearsed(kind, None, seed)

        assert run.result.outcome is Outcome.COMPLETED
        assert set(run.record.checks["verdict"]) == {"pass"}
        assert run.bench.circuit.let_through.charge_c == 0

    def test_the_same_seed_gives_the_same_run(self) -> None:
        """Two rehearsals with one seed read the same, figure by figure."""
        first, second = rehearse("ac", None, 7), rehearse("ac", None, 7)

        assert first.record.readings.equals(second.record.readings)

    def test_another_seed_gives_other_readings(self) -> None:
        """Another seed gives other instrument errors."""
        first, second = rehearse("dc", None, 7), rehearse("dc", None, 8)

        assert not first.record.readings["value"].equals(second.record.readings["value"])


class TestNamingFaults:
    def test_an_unknown_fault_gets_the_nearest_name(self) -> None:
        """A slip in the name is answered with the right one."""
        with pytest.raises(UsageError, match="did you mean 'shorted-varistor'"):
            rehearse_profile("dome-shutter-power-unit", fault="shorted-varister")

    def test_a_fault_the_profile_cannot_show_is_refused(self) -> None:
        """A fault that needs a load is no use to a profile that never loads the unit."""
        with pytest.raises(UsageError, match="only under load"):
            rehearse_profile("mount-controller-board", fault="current-limit-folded-back")
