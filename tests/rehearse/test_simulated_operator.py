"""What the simulated person at the bench does."""

from __future__ import annotations

import math

import pytest

from harness.api import simulated_bench_file
from harness.profile.level import ACROSS_BULK
from harness.profile.load import load_profile
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.rehearse.unit_model import typical_model


class TestPlaceLoad:
    @pytest.mark.parametrize("name", ["rotator-controller-board", "mount-controller-board"])
    def test_the_resistor_across_the_bulk_comes_off_again(
        self, name: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Whether or not the unit has an output, at which nothing is then connected."""
        profile = load_profile(name)
        clock, model = SimulatedClock(), typical_model(profile.unit)
        bench = SimulatedBench(model, simulated_bench_file(profile), clock, seed=1)
        across: list[float] = []
        monkeypatch.setattr(bench.circuit, "connect_across_bulk", across.append)
        person = SimulatedOperator(bench, profile.unit)

        assert person.place_load(f"{ACROSS_BULK} 2 kohm", "")
        assert person.place_load("", "")
        assert across == [pytest.approx(2000.0), math.inf]
