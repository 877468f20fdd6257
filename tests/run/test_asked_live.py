"""What is asked with power on: the level is held and watched; without an answer power is cut."""

from __future__ import annotations

import pytest

from harness.power.trip import TripReason
from harness.profile.load import load_profile
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.operator import Answer, Nobody, Operator
from tests.run.conftest import Ran, RunSteps

STEPS = """
[[steps]]
kind = "nominal"
dwell = "0.3 s"
[[steps.checks]]
name = "heat sink"
measure = "operator.value"
ask = "Temperature of the heat sink, by hand-held thermometer"
unit = "degC"
rule = "simple"
high = "60 degC"
when = "power on"
within = "10 s"
[[steps.checks]]
name = "display"
measure = "operator.value"
ask = "What the display shows"
unit = "mV"
rule = "simple"
low = "4.9 V"
high = "5.1 V"

[[steps]]
kind = "soak"
duration = "0.3 s"
"""


class Reads(SimulatedOperator):
    """Answers after so long, or never, and notes with what power they were asked."""

    def __init__(self, bench: SimulatedBench, after_s: float | None, value: float = 41.0) -> None:
        super().__init__(bench, load_profile("mount-controller-board").unit)
        self._after_s, self._value = after_s, value
        self.asked: list[tuple[str, str | None, bool]] = []
        self.over = 0

    def ask_meanwhile(self, prompt: str, unit: str | None) -> None:
        """Note it."""
        self.asked.append((prompt, unit, self._bench.circuit.source_on))
        self._since_s = self._bench.clock.now_s()

    def answer(self) -> Answer | None:
        """Answer when it is time."""
        waited_s = self._bench.clock.now_s() - self._since_s
        if self._after_s is None or waited_s < self._after_s:
            return None
        return self._value, "by the window"

    def asked_enough(self) -> None:
        """Note it."""
        self.over += 1

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Note it: power is off."""
        self.asked.append((prompt, unit, self._bench.circuit.source_on))
        return 5.0, ""


def ran_with(run_steps: RunSteps, after_s: float | None, value: float = 41.0) -> tuple[Ran, Reads]:
    """Run the steps with somebody who answers after so long."""
    people: list[Reads] = []

    def operator(bench: SimulatedBench) -> Operator:
        people.append(Reads(bench, after_s, value))
        return people[0]

    return run_steps("dc", after=STEPS, operator=operator), people[0]


class Left(Reads):
    """The input has ended."""

    def answer(self) -> Answer | None:
        """Nobody answers any more."""
        raise EOFError


def test_nobody_is_there_any_more(run_steps: RunSteps) -> None:
    """Where the input has ended power is cut at once: no answer can come."""
    ran = run_steps("dc", after=STEPS, operator=lambda bench: Left(bench, None))

    assert ran.result.trip is not None
    assert ran.result.trip.reason is TripReason.NO_ANSWER
    assert ran.result.trip.detail == "heat sink: the input has ended"
    asked_s = ran.events.loc[ran.events["kind"] == "question", "time_s"].iloc[0]
    assert ran.result.trip.time_s - asked_s < 0.1
    assert ran.result.output == "off, confirmed"


class TestAsked:
    def test_with_power_on_or_after_it(self, run_steps: RunSteps) -> None:
        """One question comes while the output is on, in its unit; the other once it is off."""
        ran, person = ran_with(run_steps, after_s=3.0)
        (live, live_unit, was_on), (later, later_unit, still_on) = person.asked

        assert (live_unit, was_on, later_unit, still_on) == ("degC", True, "mV", False)
        assert "answer within 10 s, or power is cut" in live
        assert "seen while 'nominal' was held" in later
        assert (ran.verdict("heat sink"), ran.verdict("display")) == ("pass", "pass")
        assert person.over == 1

    def test_the_supply_is_read_all_the_while(self, run_steps: RunSteps) -> None:
        """Between question and answer no gap of the supply's readings is longer than 50 ms."""
        ran, _ = ran_with(run_steps, after_s=3.0)
        events = ran.events.set_index("kind")["time_s"]
        begin_s, end_s = events["question"].iloc[0], events["answer"].iloc[0]
        supply = ran.readings[ran.readings["quantity"] == "voltage"]
        times = supply.loc[supply["time_s"].between(begin_s, end_s), "time_s"]

        assert end_s - begin_s == pytest.approx(3.0, abs=0.2)
        # a long hold keeps extremes of a second each, and every reading was judged
        assert times.diff().max() <= 1.1
        assert ran.result.trip is None

    def test_what_was_answered_is_judged_and_kept(self, run_steps: RunSteps) -> None:
        """A value over its limit fails the run; its note is in the record."""
        ran, _ = ran_with(run_steps, after_s=1.0, value=75.0)

        assert ran.verdict("heat sink") == "fail"
        assert ran.result.exit_code == 1
        assert ran.said("answer")[0] == "heat sink: 75 degC (by the window)"

    def test_nobody_leaves_it_undecided(self, run_steps: RunSteps) -> None:
        """Where there is nobody to be asked, nothing is waited for."""
        ran = run_steps("dc", after=STEPS, operator=lambda _: Nobody())

        assert ran.verdict("heat sink") == "undecided"
        assert ran.result.trip is None


class TestPower:
    def test_no_answer_in_time_cuts_it(self, run_steps: RunSteps) -> None:
        """After ten seconds without an answer power is cut, and the run is tripped."""
        ran, person = ran_with(run_steps, after_s=None)
        asked_s = ran.events.set_index("kind")["time_s"]["question"]

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.NO_ANSWER
        assert ran.result.trip.time_s - float(asked_s) == pytest.approx(10.0, abs=0.2)
        assert not ran.bench.circuit.source_on
        assert person.over == 1
        assert ran.result.exit_code == 3

    def test_a_fault_meanwhile_cuts_it_at_once(self, run_steps: RunSteps) -> None:
        """A leak that pulls the voltage down while the person still reads is cut within 1 s."""
        shorted_s: list[float] = []

        class Shorts(Reads):
            def answer(self) -> Answer | None:
                waited_s = self._bench.clock.now_s() - self._since_s
                if waited_s >= 2.0 and not shorted_s:
                    shorted_s.append(self._bench.clock.now_s())
                    self._bench.circuit.connect_across_bulk(5.0)
                return None

        ran = run_steps("dc", after=STEPS, operator=lambda bench: Shorts(bench, None))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is not TripReason.NO_ANSWER
        assert ran.result.trip.time_s - shorted_s[0] < 1.0
        assert not ran.bench.circuit.source_on
