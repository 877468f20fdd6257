from __future__ import annotations

import pytest

from harness.profile.expand import make_plan
from harness.profile.load import load_bench, load_profile


class TestEdgeOfTheEnvelope:
    def test_a_corner_at_the_edge_is_set_lower_by_twice_the_accuracy(self) -> None:
        """A supply that gives and reads as much more as it may still reads inside the envelope."""
        profile = load_profile("dome-shutter-full-release")
        bench = load_bench("bench-simulated-ac")
        edge_v = profile.envelope.voltage_v
        error_v = bench.supply.accuracy["voltage"].bound(edge_v)

        levels = [level for step in make_plan(profile, bench).steps for level in step.all_levels]

        highest_v = max(level.voltage_v for level in levels)
        assert highest_v == pytest.approx(edge_v - 2 * error_v)
        assert highest_v + 2 * error_v <= edge_v * (1 + 1e-12)

    def test_the_plan_says_so(self) -> None:
        """The plan notes at which voltage such a level is really set."""
        plan = make_plan(
            load_profile("dome-shutter-full-release"), load_bench("bench-simulated-ac")
        )

        assert any("so that its readings stay inside" in note for note in plan.notes)

    def test_levels_inside_are_set_as_they_are(self) -> None:
        """A profile whose levels keep away from the envelope is not touched."""
        profile = load_profile("dome-shutter-power-unit")
        levels = [
            level
            for step in make_plan(profile, load_bench("bench-simulated-ac")).steps
            for level in step.all_levels
        ]

        assert max(level.voltage_v for level in levels) == 120.0
