"""Answers that cannot be read, met by the engine: nothing is energised."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest

from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.power.local_bench import open_bench
from harness.profile.load import load_profile
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.run.engine import carry_out
from harness.run.result import RunInfo, RunResult

STARTED = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)


def rehearsed(role: str, spoil: Callable[[str, str], str]) -> tuple[RunResult, SimulatedBench]:
    """Rehearse a profile with an instrument whose answers are spoilt: message and answer in."""
    profile = load_profile("dome-shutter-power-unit")
    file, clock = simulated_bench_file(profile), SimulatedClock()
    simulated = SimulatedBench(simulated_unit(profile), file, clock)
    device = simulated.devices[file.instruments[role].resource]
    ask = device.ask
    device.ask = lambda message: spoil(message, ask(message))  # type: ignore[method-assign]
    result = carry_out(
        plan_for(profile, file),
        connect=lambda: open_bench(file, clock, library=simulated.library()),
        clock=clock,
        sink=MemoryRecorder(serial="HRW-0007", started=STARTED),
        info=RunInfo(serial="HRW-0007", started=STARTED, rehearsal=True),
    )
    return result, simulated


class TestRefusal:
    @pytest.mark.parametrize(
        ("role", "spoil", "says"),
        [
            (
                "supply",
                lambda message, answer: answer.replace(";", ",") if ";" in message else answer,
                'separator = ","',
            ),
            (
                "meter",
                lambda message, answer: f"{answer},VDC" if "VOLT:DC" in message else answer,
                'measure_voltage_dc = "{value},VDC"',
            ),
            (
                "load",
                lambda message, answer: f"CURR {answer}" if message == "CURR?" else answer,
                'current_setting = "CURR {value}"',
            ),
            (
                "supply",
                lambda message, answer: f"OUTP:{answer}" if message == "OUTP?" else answer,
                'output_state = "OUTP:{value}"',
            ),
            ("supply", lambda message, answer: message if "?" in message else answer, "an echo"),
            ("meter", lambda message, answer: "" if "?" in message else answer, "no answer"),
        ],
    )
    def test_nothing_is_energised_and_the_reason_says_what_is_right(
        self, role: str, spoil: Callable[[str, str], str], says: str
    ) -> None:
        """An answer that would cut power is a refusal (exit code 5), with the dialect's line."""
        result, simulated = rehearsed(role, spoil)

        assert result.outcome is Outcome.REFUSED
        assert result.exit_code == 5
        assert says in result.reason
        assert simulated.circuit.let_through.energy_j == 0.0

    def test_an_answer_in_quotes_is_no_matter(self) -> None:
        """A state in quotes is the state it says: the run is carried out."""
        states = {"0": '"OFF"', "1": '"ON"'}

        result, _ = rehearsed(
            "supply", lambda message, answer: states[answer] if message == "OUTP?" else answer
        )

        assert result.outcome is Outcome.COMPLETED
