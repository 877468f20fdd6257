"""Steps of kind ``dip`` on simulated units, and what is judged of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from pydantic import ValidationError

from harness.judge.uncertainty import combine
from harness.power.dip import DipRecord
from harness.profile.allowance import InrushAllowance
from harness.profile.dip_step import DipStep
from harness.profile.level import Level
from harness.run.dip import Course, _standing
from harness.run.levels import set_level
from harness.run.operator import StopRequest
from tests.instrument_faults import spoil

if TYPE_CHECKING:
    from collections.abc import Callable

    from harness.rehearse.simulated_instruments import SimulatedInstrument
    from harness.run.context import Context
    from tests.run.conftest import Ran, RunSteps

STEP = """
[[steps]]
kind = "dip"
residual = "RESIDUAL"
duration = "DURATION"
current = "2.5 A"
dwell = "0.3 s"
TIMES
[[steps.checks]]
name = "time"
measure = "dip.duration"
low = "1 ms"
high = "1 s"
[[steps.checks]]
name = "lowest"
measure = "dip.output"
low = "22.8 V"
[[steps.checks]]
name = "hold-up"
measure = "dip.hold_up"
low = "5 ms"
[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "23.3 V"
high = "24.7 V"
"""


def step(residual: str, duration: str, times: int = 1) -> str:
    text = STEP.replace("RESIDUAL", residual).replace("DURATION", duration)
    return text.replace("TIMES", f"times = {times}")


def note_drop(on: dict[str, SimulatedInstrument], note: Callable[[bool], None]) -> None:
    """Have it noted, each time the meter reads, whether the input is down just then."""
    volts, show = on["meter"]._getters["MEAS:VOLT:DC?"]
    set_v, _ = on["supply"]._getters["VOLT?"]

    def reads() -> float:
        note(bool(on["supply"]._live["output"].get()) and set_v() == 0.0)
        return volts()

    on["meter"]._getters["MEAS:VOLT:DC?"] = (reads, show)


#: What was run already, for several tests to look at.
RUNS: dict[str, Ran] = {}


class TestHealthy:
    """Unit B bridges a period at less than full load, and starts again after a long one."""

    @pytest.fixture
    def short(self, run_steps: RunSteps) -> Ran:
        """Return a run with two drops of 20 ms, at less than full load."""
        if "short" not in RUNS:
            text = step("0 %", "20 ms", 2).replace("2.5 A", "1 A")
            RUNS["short"] = run_steps("ac", after=text)
        return RUNS["short"]

    @pytest.fixture
    def long(self, run_steps: RunSteps) -> Ran:
        """Return a run with a drop of 0.15 s."""
        if "long" not in RUNS:
            RUNS["long"] = run_steps("ac", after=step("0 %", "0.15 s"))
        return RUNS["long"]

    def test_a_short_one_is_bridged(self, short: Ran) -> None:
        """The output stays within its limits, each time; the checks carry the drop's number."""
        for number in (1, 2):
            assert short.verdict(f"lowest at 0 % for 20 ms, {number} of 2") == "pass"
            assert short.verdict(f"rail at 0 % for 20 ms, {number} of 2") == "pass"

    def test_one_that_is_shorter_than_a_reading_is_not_judged(self, run_steps: RunSteps) -> None:
        """No reading lies in it: what the output did meanwhile nobody saw."""
        ran = run_steps("ac", after=step("0 %", "8 ms"))
        assert ran.verdict("lowest at 0 % for 8 ms") == "undecided"
        assert ran.verdict("hold-up at 0 % for 8 ms") == "undecided"
        assert ran.verdict("rail at 0 % for 8 ms") == "pass"

    def test_the_time_reached_is_told_with_its_uncertainty(self, short: Ran) -> None:
        """It is what was asked for, known to half a period of the line and the messages."""
        row = short.checks.set_index("check").loc["time at 0 % for 20 ms, 1 of 2"]
        assert row["value"] == pytest.approx(20e-3, abs=1e-3)
        assert row["uncertainty"] > 0.5 / 60.0
        assert short.said("dip")[0].startswith("20 ms down where 20 ms was asked for")

    def test_a_long_one_ends_in_a_restart(self, long: Ran) -> None:
        """The output is gone meanwhile and comes back; power was not cut."""
        label = "0 % for 0.15 s"
        assert long.verdict(f"lowest at {label}") == "fail"
        assert long.verdict(f"rail at {label}") == "pass"
        assert long.result.trip is None

    def test_hold_up_is_that_of_the_circuit(self, long: Ran) -> None:
        """Measured on the bench, it agrees with the energy that the capacitor gives.

        Source: t = C (V1^2 - V2^2) / 2 P from crest and valley; textbook.
        """
        row = long.checks.set_index("check").loc["hold-up at 0 % for 0.15 s"]
        model = long.bench.circuit.model
        power_w = model.converter.input_power_w(model.converter.output_nominal_w)
        most_s = 0.5 * model.bulk.capacitance_f * (168.0**2 - model.converter.stop_v**2) / power_w
        assert 0.3 * most_s < row["value"] < most_s + row["uncertainty"]

    def test_a_residual_voltage_that_is_enough_changes_nothing(self, run_steps: RunSteps) -> None:
        """With 80 % left the converter goes on working."""
        ran = run_steps("ac", after=step("80 %", "0.2 s"))
        assert ran.verdict("lowest at 80 % for 0.2 s") == "pass"


class TestFaults:
    """What a dip is for shows in it."""

    def test_a_dried_out_capacitor_bridges_nothing(self, run_steps: RunSteps) -> None:
        """The output gives way where a healthy unit's stands."""
        ran = run_steps("ac", after=step("0 %", "8 ms"), fault="weak-bulk-capacitor")
        assert ran.result.trip is not None or ran.verdict("lowest at 0 % for 8 ms") == "fail"


class TestOtherLoads:
    """A load by hand, or none but the unit itself: an electronic one reads the output, off."""

    def test_a_resistor_connected_by_hand(self, run_steps: RunSteps) -> None:
        """It is connected with power off, and the output read by the load, whose input is off."""
        text = step("0 %", "0.15 s").replace('current = "2.5 A"', 'load = "resistor 10 ohm"')
        ran = run_steps("ac", after=text)
        assert ran.result.trip is None, ran.result.reason
        assert ran.verdict("lowest at 0 % for 0.15 s") == "fail"  # 58 W are not bridged for long
        assert ran.verdict("rail at 0 % for 0.15 s") == "pass"
        told = [text for text in ran.said("load") if "resistor 10 ohm" in text]
        assert len(told) == 2  # connected, and taken off

    def test_nothing_but_the_unit_itself(self, run_steps: RunSteps) -> None:
        """With hardly a draw the capacitor bridges what it does not at work; the plan says so."""
        text = step("0 %", "0.15 s").replace('current = "2.5 A"\n', "")
        ran = run_steps("ac", after=text)
        assert ran.verdict("lowest at 0 % for 0.15 s") == "pass"
        assert "Nothing loads it but the unit itself" in dip_step().note(None)
        assert "Nothing loads it" not in dip_step(current="1 A").note(None)

    def test_a_bench_without_an_electronic_load(self, run_steps: RunSteps) -> None:
        """The meter reads the output, and what it does meanwhile is judged by that."""
        text = step("0 %", "0.15 s").replace('current = "2.5 A"', 'load = "resistor 10 ohm"')
        ran = run_steps("ac", after=text, without=("load",))
        rows = ran.checks.set_index("check")
        assert ran.verdict("lowest at 0 % for 0.15 s") == "fail"  # 58 W are not bridged for long
        assert ran.verdict("rail at 0 % for 0.15 s") == "pass"
        assert ran.verdict("time at 0 % for 0.15 s") == "pass"
        # known to two readings of 21 ms, and to what an AC source may wait
        row = rows.loc["hold-up at 0 % for 0.15 s"]
        assert 0.0 < row["value"] < 0.1
        assert 0.02 < row["uncertainty"] < 0.05
        assert rows.loc["lowest at 0 % for 0.15 s"]["uncertainty"] > 1e-3  # the meter's accuracy

    def test_a_bench_without_either(self, run_steps: RunSteps) -> None:
        """What the output did meanwhile stays open."""
        text = step("0 %", "0.15 s").replace('current = "2.5 A"\n', "")
        ran = run_steps("ac", after=text, without=("load", "meter"))
        [told] = [text for text in ran.said("not checked") if text.startswith("lowest: ")]
        assert told == "lowest: no electronic load reads the output, and this bench has no meter"

    def test_a_reading_of_the_meter_that_is_none_cuts_power(self, run_steps: RunSteps) -> None:
        """In the middle of a drop as in any hold (safety rule 5)."""
        down: list[bool] = []

        def bend(on: dict[str, SimulatedInstrument]) -> None:
            note_drop(on, down.append)
            spoil(on["meter"], "MEAS:VOLT:DC?", lambda it: "9.9E37" if any(down[-1:]) else it)

        text = step("0 %", "0.15 s").replace('current = "2.5 A"\n', "")
        ran = run_steps("ac", after=text, without=("load",), bend=bend)
        assert ran.result.trip is not None
        assert "overload" in ran.result.reason.lower() or "9.9E37" in ran.result.reason
        assert not ran.bench.circuit.source_on

    def test_a_meter_out_of_step_in_the_drop_cuts_power(self, run_steps: RunSteps) -> None:
        """Its answers are looked at before what it read of the output is believed."""
        down: list[bool] = []
        text = step("0 %", "0.15 s").replace('current = "2.5 A"\n', "")
        text = text[: text.index('[[steps.checks]]\nname = "rail"')]  # nothing else reads it

        def bend(on: dict[str, SimulatedInstrument]) -> None:
            note_drop(on, down.append)
            spoil(on["meter"], "*IDN?", lambda answer: "0.0" if any(down) else answer)

        ran = run_steps("ac", after=text, without=("load",), bend=bend)
        assert ran.result.trip is not None
        assert "at the start it was" in ran.result.reason
        assert not ran.bench.circuit.source_on

    def test_whoever_wants_power_off_is_heard_between_two_readings(
        self, run_steps: RunSteps
    ) -> None:
        """Not at the end of the drop, which takes seven readings of the meter."""
        stop, down = StopRequest(), [False]

        def reads(is_down: bool) -> None:
            down.append(is_down)
            if is_down:
                stop.by_hand("at the bench")

        text = step("0 %", "0.15 s").replace('current = "2.5 A"\n', "")
        ran = run_steps(
            "ac", after=text, without=("load",), bend=lambda on: note_drop(on, reads), stop=stop
        )
        assert ran.result.outcome == "interrupted"
        assert down.count(True) == 1
        assert not ran.bench.circuit.source_on

    def test_a_battery_would_feed_it(self) -> None:
        """It is refused: the output would never fall."""
        with pytest.raises(ValidationError, match="a battery would feed the output meanwhile"):
            dip_step(load="battery")

    def test_a_longer_drop_is_a_cycle(self) -> None:
        """The mistake says which step to take instead."""
        with pytest.raises(ValidationError, match='take a step of the kind "cycle", with its off'):
            dip_step(duration="2 s")


def dip_step(**changes: str) -> DipStep:
    """Return a step of a fifth of a second."""
    keys = {"kind": "dip", "residual": "0 %", "duration": "0.2 s", "dwell": "1 s"}
    return DipStep.model_validate({**keys, **changes})


class TestBeforeTheDrop:
    """While it settles there is nothing to be filled."""

    @pytest.mark.parametrize(
        ("stood_v", "line_frac", "filled_j"),
        [(120.0, 0.9, 0.0), (120.0, 1.0, 0.0), (120.0, 1.1, 0.4536), (108.0, 1.0, 0.4104)],
    )
    def test_what_fills_the_capacitor_once_more_is_not_allowed(
        self, stood_v: float, line_frac: float, filled_j: float
    ) -> None:
        """But from where the line stood up: C (V1^2 - V0^2), half of it at peaks; textbook."""
        budget = InrushAllowance(
            kind="energy",
            capacitance_f=150e-6,
            peak_factor=math.sqrt(2.0),
            charge_factor=2.0,
            from_v=0.0,
            to_v=120.0 * line_frac,
            idle_power_w=144.0,
            threshold_v=55.0,
            leakage_a=0.0,
        )
        level = Level(
            label="x",
            voltage_v=120.0 * line_frac,
            current_limit_a=1.5,
            dwell_s=1.0,
            budget=budget,
            wait_s=4.0,
        )
        before = _standing(level, stood_v)
        assert before.budget is not None
        assert before.budget.healthy == pytest.approx(filled_j)
        assert budget.healthy > 1.7
        assert before.wait_s == 0.0
        assert _standing(level, stood_v, begins=True).wait_s == 4.0  # of what boots

    @pytest.mark.parametrize(("load", "least_j"), [("current", 0.0), ("resistor", 1.3)])
    def test_it_is_what_the_keeper_watches_by(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch, load: str, least_j: float
    ) -> None:
        """Before the drop the rest alone, for what comes back all of it.

        With a load by hand the line stood below the threshold until then.
        """
        watched: list[float] = []

        def noted(context: Context, level: Level) -> None:
            watched.append(0.0 if level.budget is None else level.budget.healthy)
            set_level(context, level)

        monkeypatch.setattr("harness.run.dip.set_level", noted)
        text = step("0 %", "8 ms")
        if load == "resistor":
            text = text.replace('current = "2.5 A"', 'load = "resistor 10 ohm"')
        ran = run_steps("ac", after=text)
        before_j, after_j = watched

        assert ran.result.trip is None, ran.result.reason
        assert after_j > 1.7
        assert least_j <= before_j < after_j if least_j else before_j == 0.0


def record(*outputs: tuple[float, float], up_s: float = 0.060) -> DipRecord:
    """A drop from 0 s to 2 ms on; readings of the output that take 1 ms, by when they began."""
    return DipRecord(
        down=(0.0, 0.002),
        up=(up_s, up_s + 0.002),
        outputs=tuple(((begin_s, begin_s + 0.001), volts) for begin_s, volts in outputs),
        takes_s=0.002,
        samples=0,
    )


def course(told: DipRecord, later_s: float = 0.0, error_v: float = 0.1) -> Course:
    return Course(record=told, read=told.outputs, stands_v=22.8, error_v=error_v, later_s=later_s)


class TestCourse:
    """Nothing counts for more than messages and readings show."""

    def test_duration(self) -> None:
        """From middle to middle; the messages are intervals (JCGM 100:2008, 4.3.7)."""
        found = course(record()).duration
        assert found.value == pytest.approx(0.060)
        assert combine(found.contributions).standard == pytest.approx(0.002 / math.sqrt(3))

    def test_a_source_may_wait_for_a_zero_crossing(self) -> None:
        """Half a period more either way."""
        standard = combine(course(record(), later_s=0.01).duration.contributions).standard
        assert standard == pytest.approx(math.hypot(0.002, 0.01) / math.sqrt(3))

    def test_hold_up_lies_between_two_readings(self) -> None:
        """From the last that stood for certain to the end of the first that did not."""
        found = course(record((0.010, 24.0), (0.020, 24.0), (0.030, 20.0), (0.040, 0.0))).hold_up
        assert found.value == pytest.approx(0.5 * (0.020 - 0.002 + 0.031))
        assert combine(found.contributions).standard == pytest.approx(
            0.5 * (0.031 - 0.018) / math.sqrt(3)
        )

    def test_a_reading_near_the_limit_stands_no_more(self) -> None:
        """What its error leaves open counts against it."""
        found = course(record((0.010, 24.0), (0.020, 22.85))).hold_up
        assert found.value < 0.020

    @pytest.mark.parametrize("after", [(), ((0.055, 24.0),)])
    def test_an_output_that_never_fell_stood_as_long_as_that_was_seen(
        self, after: tuple[tuple[float, float], ...]
    ) -> None:
        """Between the last reading that was over before the return, and the return.

        One that goes on beyond it may be of an output that fell and rose again.
        """
        told = record((0.010, 24.0), (0.050, 24.0), *after, up_s=0.0555)
        found = course(told, later_s=0.01).hold_up
        earliest_s, latest_s = 0.050 - 0.002 - 0.01, 0.0575
        assert found.value == pytest.approx(0.5 * (earliest_s + latest_s))
        assert combine(found.contributions).standard == pytest.approx(
            0.5 * (latest_s - earliest_s) / math.sqrt(3)
        )

    def test_without_a_reading_in_the_drop_it_may_have_stood_for_no_time(self) -> None:
        """And no limit is passed or failed by that."""
        found = course(record((0.070, 24.0))).hold_up
        assert found.value - math.sqrt(3) * combine(found.contributions).standard == (
            pytest.approx(0.0)
        )

    @pytest.mark.parametrize("error_v", [math.inf, math.nan])
    def test_without_an_accuracy_it_never_stood(self, error_v: float) -> None:
        """A load of unknown accuracy shows nothing for certain."""
        found = course(record((0.010, 24.0)), error_v=error_v).hold_up
        assert found.value < 0.012

    def test_lowest(self) -> None:
        """The lowest of all readings, and nothing where there is none."""
        assert course(record((0.010, 24.0), (0.020, 23.0))).lowest.value == 23.0
        assert course(record((0.010, 24.0), (0.070, 23.0))).lowest.value == 23.0
        assert math.isnan(course(record()).lowest.value)
        assert math.isnan(course(record()).hold_up.value)

    @pytest.mark.parametrize(("reads_v", "known"), [(24.0, False), (22.8, False), (20.0, True)])
    def test_of_an_output_that_stands_nothing_is_known_without_a_reading_in_the_drop(
        self, reads_v: float, *, known: bool
    ) -> None:
        """It may have fallen and risen again; one that is seen low has fallen so far at least."""
        assert math.isfinite(course(record((0.0595, reads_v))).lowest.value) is known
