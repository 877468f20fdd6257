"""What a person sees under power: told beforehand, asked once power is off, judged in its place."""

from __future__ import annotations

import signal
from collections.abc import Callable

import pytest

from harness.power.trip import TripReason
from harness.profile.load import load_profile
from harness.record.run_summary import Outcome
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.operator import Interrupted, Nobody, Operator
from harness.unit.nameplate import Unit
from tests.run.conftest import Ran, RunSteps

STEPS = """
[[steps]]
kind = "nominal"
dwell = "0.3 s"
[[steps.checks]]
name = "lamp"
measure = "operator.yes_no"
ask = "Is the lamp lit?"
[[steps.checks]]
name = "5 V rail"
measure = "meter.voltage_dc"
low = "4.9 V"
high = "5.1 V"

[[steps]]
kind = "soak"
duration = "0.3 s"
[[steps.checks]]
name = "idle power"
measure = "supply.power"
high = "0.85 W"
[[steps.checks]]
name = "smell"
measure = "operator.yes_no"
ask = "Does it smell?"
high = 0
"""

Answer = Callable[[str], bool | None]


def bench_unit() -> Unit:
    """Return the nameplate of the board."""
    return load_profile("mount-controller-board").unit


@pytest.fixture
def seen(run_steps: RunSteps) -> Callable[..., tuple[Ran, list[tuple[str, bool]]]]:
    """Run the steps with somebody who answers; return the run, and each question with power."""

    def run(answer: Answer, **how: str) -> tuple[Ran, list[tuple[str, bool]]]:
        asked: list[tuple[str, bool]] = []

        class Looks(SimulatedOperator):
            def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
                asked.append((prompt, self._bench.circuit.source_on))
                return answer(prompt), ""

        def operator(bench: SimulatedBench) -> Operator:
            return Looks(bench, bench_unit())

        return run_steps("dc", after=STEPS, operator=operator, **how), asked

    return run


Seen = Callable[..., tuple[Ran, list[tuple[str, bool]]]]


class TestWhatWasSeen:
    def test_nobody_is_asked_anything_while_power_is_on(self, seen: Seen) -> None:
        """The question comes once power is off for good, what to look at before the hold."""
        ran, asked = seen(lambda prompt: "lamp" in prompt)
        kinds = list(ran.events["kind"])

        assert asked == [
            ("Is the lamp lit? [seen while 'nominal' was held]", False),
            ("Does it smell? [seen while 'soak' was held]", False),
        ]
        assert ran.said("look") == [
            "Is the lamp lit? This is asked once power is off.",
            "Does it smell? This is asked once power is off.",
        ]
        last_off = max(n for n, kind in enumerate(kinds) if kind == "power off")
        assert kinds.index("look") < kinds.index("settled", kinds.index("look"))
        assert kinds.index("question") > last_off

    def test_each_check_stands_in_its_step(self, seen: Seen) -> None:
        """Answered last, the checks are in the record where their steps are, and count."""
        ran, _ = seen(lambda prompt: "lamp" in prompt)

        assert [*zip(ran.checks["step"], ran.checks["check"], strict=True)] == [
            *[("nominal", "5 V rail"), ("nominal", "lamp")],
            *[("soak", "idle power"), ("soak", "smell")],
        ]
        assert set(ran.checks["verdict"]) == {"pass"}
        assert ran.result.released

    @pytest.mark.parametrize(
        ("answer", "verdict", "code"), [(False, "fail", 1), (None, "undecided", 4)]
    )
    def test_without_the_right_answer_nothing_is_released(
        self, seen: Seen, answer: bool | None, verdict: str, code: int
    ) -> None:
        """The wrong answer fails the run, and none leaves it undecided."""
        ran, _ = seen(lambda prompt: answer if "lamp" in prompt else False)

        assert (ran.verdict("lamp"), ran.verdict("smell")) == (verdict, "pass")
        assert ran.result.exit_code == code

    def test_nobody_there_leaves_it_undecided(self, run_steps: RunSteps) -> None:
        """Where nobody answers, what only a person can tell is undecided."""
        ran = run_steps("dc", after=STEPS, operator=lambda _: Nobody())

        assert (ran.verdict("lamp"), ran.result.exit_code) == ("undecided", 4)

    def test_a_run_that_was_cut_asks_nothing(self, seen: Seen) -> None:
        """Of a run in which power was cut nobody is asked what they saw of it."""
        ran, asked = seen(lambda _: True, fault="shorted-input")

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.CHARGE_BUDGET
        assert asked == []

    def test_a_run_that_does_not_go_on_asks_nothing(self, run_steps: RunSteps) -> None:
        """Where a step cannot be gone on from, what was seen before it is asked of nobody."""
        asked: list[str] = []

        class Leaves(SimulatedOperator):
            def place_load(self, load: str, text: str) -> bool:
                return bool(load) and super().place_load(load, text)

            def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
                asked.append(prompt)
                return True, ""

        by_hand = '[[steps]]\nkind = "load"\nload = "resistor 5 ohm"\ndwell = "0.3 s"\n'
        ran = run_steps(
            "dc",
            after=STEPS.replace(
                '\n[[steps]]\nkind = "soak"', f'\n{by_hand}\n[[steps]]\nkind = "soak"'
            ),
            operator=lambda bench: Leaves(bench, bench_unit()),
        )

        assert ran.result.outcome is Outcome.INTERRUPTED
        assert ran.said("look") != []
        assert asked == []

    def test_stopped_at_the_question_it_is_no_release(self, seen: Seen) -> None:
        """Whoever stops the run at its last question has no release."""

        def stops(_prompt: str) -> bool:
            raise Interrupted(signal.SIGINT)

        ran, _ = seen(stops)

        assert ran.result.outcome is Outcome.INTERRUPTED
        assert not ran.result.released
        assert not ran.bench.circuit.source_on
