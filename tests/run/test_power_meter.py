"""Whole runs with a power meter at the input: held to the envelope, compared, read in its place."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from harness.api import plan_for
from harness.bench.dialect import bench_dialects
from harness.power.trip import TripReason
from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.instruments import PowerMeter
from harness.profile.load import load_bench, load_profile
from harness.profile.preflight import preflight
from harness.rehearse.simulated_instruments import SimulatedInstrument
from tests.instrument_faults import spoil
from tests.run.conftest import STARTED, Ran, RunSteps

ACCURACY = {
    "voltage": "0.1 % + 20 mV",
    "current": "0.1 % + 2 mA",
    "power": "0.2 % + 50 mW",
    "power_factor": "0.02",
    "frequency": "0.1 Hz",
}
HOLD = """
[[steps]]
kind = "nominal"
dwell = "0.5 s"

[[steps.checks]]
name = "idle power"
measure = "supply.power"
high = "3 W"

[[steps.checks]]
name = "at the input"
measure = "power_meter.power"
high = "3 W"
"""
AC_HOLD = (
    HOLD
    + """
[[steps.checks]]
name = "factor"
measure = "power_meter.power_factor"
low = 0.05

[[steps.checks]]
name = "line frequency"
measure = "power_meter.frequency"
low = "49 Hz"
high = "61 Hz"
"""
)


def with_power_meter(file: BenchFile, **keys: Any) -> BenchFile:
    """Return a bench with a power meter, of good accuracy unless said otherwise."""
    table = {
        "resource": "TCPIP0::127.0.0.1::5029::SOCKET",
        "dialect": "scpi-power-meter",
        "accuracy": ACCURACY,
        "calibration_due": dt.date(2099, 12, 31),
    }
    return file.model_copy(update={"power_meter": PowerMeter.model_validate({**table, **keys})})


def times(factor: float) -> Any:
    """Return what bends an answer: a reading that is off by a factor."""
    return lambda answer: f"{float(answer) * factor:.6E}"


class TestReadings:
    @pytest.mark.parametrize(("kind", "after"), [("dc", HOLD), ("ac", AC_HOLD)])
    def test_it_reads_what_the_unit_takes(self, run_steps: RunSteps, kind: str, after: str) -> None:
        """A healthy unit passes; power factor and frequency live, for they vanish with power."""
        ran = run_steps(kind, after=after, bench=with_power_meter)

        assert set(ran.checks["verdict"]) == {"pass"}, ran.checks
        assert ran.said("disagreement") == []
        assert ran.said("not shown to live") == []
        read = ran.readings[ran.readings["source"] == "power_meter"]
        assert {"voltage", "current", "power"} <= set(read["quantity"])

    def test_it_is_read_in_the_holds_of_the_start_too(self, run_steps: RunSteps) -> None:
        """Every level is held against it, from the first on."""
        ran = run_steps("dc", bench=with_power_meter)

        read = ran.readings[ran.readings["source"] == "power_meter"]
        assert list(dict.fromkeys(read["level"])) == ["10 %", "25 %", "50 %", "75 %", "100 %"]


class TestEnvelope:
    @pytest.mark.parametrize(
        ("question", "factor", "reason"),
        [
            ("MEAS:VOLT?", 1.2, TripReason.OVER_VOLTAGE),
            ("MEAS:CURR?", 1e3, TripReason.OVER_CURRENT),
            ("MEAS:POW?", 1e3, TripReason.OVER_POWER),
        ],
    )
    def test_one_reading_of_it_outside_cuts_power(
        self, run_steps: RunSteps, question: str, factor: float, reason: TripReason
    ) -> None:
        """Whatever the supply reads: what the power meter reads is held to the envelope as well."""

        def bend(devices: dict[str, SimulatedInstrument]) -> None:
            spoil(devices["power_meter"], question, times(factor))

        ran = run_steps("dc", after=HOLD, bench=with_power_meter, bend=bend)

        assert ran.result.trip is not None
        assert ran.result.trip.reason is reason
        assert "read by the power meter" in ran.result.trip.detail
        assert not ran.bench.circuit.source_on

    def test_what_is_no_number_cuts_power(self, run_steps: RunSteps) -> None:
        """Overload under power is no value (safety rule 5); before power it is no refusal."""

        def bend(devices: dict[str, SimulatedInstrument]) -> None:
            spoil(devices["power_meter"], "MEAS:CURR?", lambda _: "9.9E37")

        ran = run_steps("dc", after=HOLD, bench=with_power_meter, bend=bend)

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.NO_READING

    def test_a_level_at_the_edge_leaves_room_for_its_error(self) -> None:
        """A healthy unit at 110 % on a good supply is not cut by a coarse power meter."""
        profile = load_profile("mount-controller-full-release")
        coarse = {**ACCURACY, "voltage": "0.5 % + 50 mV"}

        def highest_v(file: BenchFile) -> float:
            plan = plan_for(profile, file)
            return max(level.voltage_v for step in plan.steps for level in step.all_levels)

        file = load_bench("bench-simulated-dc")
        without, with_it = highest_v(file), highest_v(with_power_meter(file, accuracy=coarse))

        bound_v = profile.envelope.voltage_v
        assert without - with_it == pytest.approx(
            0.005 * bound_v + 0.05 - file.supply.accuracy["voltage"].bound(bound_v)
        )


def judged(ran: Ran) -> dict[str, str]:
    return dict(zip(ran.checks["check"], ran.checks["verdict"], strict=True))


class TestAgreement:
    @pytest.mark.parametrize(("kind", "factor"), [("dc", 1.3), ("ac", 1.5)])
    def test_readings_too_far_apart_decide_nothing(
        self, run_steps: RunSteps, kind: str, factor: float
    ) -> None:
        """It is said, it is a warning of the record, and checks that rest on either are open."""

        def bend(devices: dict[str, SimulatedInstrument]) -> None:
            spoil(devices["power_meter"], "MEAS:POW?", times(factor))

        ran = run_steps(kind, after=HOLD, bench=with_power_meter, bend=bend)

        assert judged(ran) == {"idle power": "undecided", "at the input": "undecided"}
        assert ran.result.exit_code == 4
        assert any("the power meter" in told for told in ran.said("disagreement"))
        assert any("the power meter" in warning for warning in ran.result.warnings)

    def test_leads_between_them_drop_what_they_are_said_to(self, run_steps: RunSteps) -> None:
        """A volt lost on stated leads is no disagreement; on leads nobody states it is."""
        load = (
            '\n[[steps]]\nkind = "load"\ncurrents = ["2 A"]\ndwell = "0.5 s"\n'
            '[[steps.checks]]\nname = "input"\nmeasure = "power_meter.voltage"\nlow = "20 V"\n'
        )

        def bend(devices: dict[str, SimulatedInstrument]) -> None:
            spoil(devices["power_meter"], "MEAS:VOLT?", times(0.98))

        stated = run_steps(
            "dc",
            after=load,
            bend=bend,
            bench=lambda file: with_power_meter(file, lead_resistance="2 ohm"),
        )
        unstated = run_steps("dc", after=load, bend=bend, bench=with_power_meter)

        assert not [told for told in stated.said("disagreement") if told.startswith("2 A")]
        assert [told for told in unstated.said("disagreement") if told.startswith("2 A")]
        assert set(judged(unstated).values()) == {"undecided"}


class TestInPlaceOfTheSupply:
    def test_a_source_that_states_no_accuracy_of_its_power(self, run_steps: RunSteps) -> None:
        """The power meter's reading stands for it, and the check is decided by that."""

        def bench(file: BenchFile) -> BenchFile:
            stated = {k: v for k, v in file.supply.accuracy.items() if k != "power"}
            supply = file.supply.model_copy(update={"accuracy": stated})
            return with_power_meter(file.model_copy(update={"supply": supply}))

        ran = run_steps("ac", after=HOLD, bench=bench)

        assert judged(ran)["idle power"] == "pass"
        budget = ran.sink.frames().budgets
        causes = set(budget.loc[budget["check"] == "idle power", "contribution"])
        assert "power meter power accuracy" in causes
        assert "supply power accuracy" not in causes

    def test_a_source_that_measures_no_power_falls_away_without_it(self) -> None:
        """The plan of an AC unit on such a source: open without a power meter, closed with one."""
        profile = load_profile("dome-shutter-power-unit")
        file = load_bench("bench-simulated-ac")

        def dropped(bench: BenchFile) -> list[str]:
            told = {role: known.operations for role, known in bench_dialects(bench).items()}
            told["supply"] -= {"measure_power"}
            plan = make_plan(profile, bench, operations=told)
            return [check.name for step in plan.steps for check, _ in step.dropped]

        assert dropped(file)
        assert dropped(with_power_meter(file)) == []


class TestBeforePower:
    def test_the_envelope_is_inside_what_it_can_show(self) -> None:
        """An overload under power would cut it: what is beyond the range is refused before."""
        file = with_power_meter(
            load_bench("bench-simulated-dc"), range={"voltage": "15 V", "current": "1 A"}
        )
        found = preflight(
            plan_for(load_profile("mount-controller-board"), file), today=STARTED.date()
        )

        assert found.reasons == (
            "The envelope of 26.4 V is beyond the power meter's range of 15 V.",
            "The envelope of 1.5 A is beyond the power meter's range of 1 A.",
        )
