"""Whole runs on instruments whose readings are wrong: none may pass, none may go unseen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.bench.trip import TripReason
from harness.rehearse.coupled import CoupledDevice
from tests.instrument_faults import meddle, spoil

NOMINAL = """
[[steps]]
kind = "nominal"
dwell = "2 s"
"""


def turned(answer: str) -> str:
    """Return a number with its sign changed, as a shunt the wrong way round gives it."""
    return f"{-float(answer):.6E}"


class TestReversedSign:
    @pytest.mark.parametrize(
        ("kind", "question", "fault"),
        [
            ("dc", "MEAS:CURR?", "shorted-input"),
            ("dc", "MEAS:CURR?", "switch-breakdown"),
            ("ac", "MEAS:POW?", "leaky-bulk-capacitor"),
        ],
    )
    def test_a_short_read_the_wrong_way_round_is_off_as_fast_as_any(
        self, run_steps: Callable[..., Any], kind: str, question: str, fault: str
    ) -> None:
        """A reversed sign must not let more through a fault than the budget does."""

        def bend(devices: dict[str, CoupledDevice]) -> None:
            spoil(devices["supply"], question, turned)

        true = run_steps(kind, fault=fault)
        wrong = run_steps(kind, fault=fault, bend=bend)

        assert wrong.result.trip is not None
        assert wrong.result.trip.reason is TripReason.REVERSED_CURRENT
        through = wrong.bench.circuit.let_through.i2t_a2s
        assert through <= true.bench.circuit.let_through.i2t_a2s

    def test_a_healthy_unit_read_the_wrong_way_round_is_cut_at_its_first_charge(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Leads the wrong way round are found by the first charge that a reading sees."""
        ran = run_steps("dc", bend=lambda devices: spoil(devices["supply"], "MEAS:CURR?", turned))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.REVERSED_CURRENT
        assert ran.readings["value"].max() < 12.0


class TestSettingsThatChange:
    @pytest.mark.parametrize("unit", ["CURR 5", "VOLT:PROT 60"])
    def test_a_setting_changed_by_somebody_else_ends_the_run(
        self, run_steps: Callable[..., Any], unit: str
    ) -> None:
        """A limit set from 1.5 A to 5 A in the nominal hold moves no reading, and is seen."""
        ran = run_steps("dc", after=NOMINAL, bend=lambda on: meddle(on["supply"], 370, unit))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.SETTING_CHANGED
        assert ran.said("step")[-1] == "nominal"
