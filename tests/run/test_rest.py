from __future__ import annotations

import math

import pytest

from harness.bench.trip import Tripped, TripReason
from tests.run.fed import FedBench


class TestVoltageThatMovesInAHold:
    @pytest.mark.parametrize(
        ("moved_v", "detail"),
        [
            (26.2, "at rest at 26.2 V, above the 24 V that was set"),
            (20.0, "at rest at 20 V, below the 24 V that was set"),
        ],
    )
    def test_it_cuts_power_as_soon_as_it_rests(self, moved_v: float, detail: str) -> None:
        """A voltage that rests elsewhere in a two-hour soak cuts power within a second."""
        bench = FedBench(lambda t: (24.0 if t < 30.0 else moved_v, 0.1), dwell_s=7200.0)

        with pytest.raises(Tripped) as tripped:
            bench.hold()

        trip = tripped.value.trip
        assert (trip.reason, trip.detail) == (TripReason.VOLTAGE_NOT_REACHED, detail)
        assert trip.time_s < 31.0
        assert len(bench.said("disturbed")) == 1

    def test_a_creep_that_is_never_unrest_is_met_at_its_bound(self) -> None:
        """A voltage that creeps away too slowly for unrest cuts power once it is away."""
        bench = FedBench(lambda t: (24.0 - 1e-4 * t, 0.1), interval_s=0.05, dwell_s=72000.0)

        with pytest.raises(Tripped) as tripped:
            bench.hold()

        trip = tripped.value.trip
        assert trip.reason is TripReason.VOLTAGE_NOT_REACHED
        assert "below the 24 V" in trip.detail
        assert not bench.said("disturbed")
        # 2 % of what was set and twice the supply's 0.05 % + 10 mV: 0.524 V at 0.1 mV a second
        assert trip.time_s == pytest.approx(5240.0, rel=0.01)

    def test_what_moves_inside_the_bound_voids_the_hold(self) -> None:
        """A small step of voltage begins the hold anew, and nothing read before it counts."""
        bench = FedBench(lambda t: (24.0 if t < 5.0 else 24.2, 0.1), dwell_s=10.0)

        held = bench.hold()

        assert held.readings["supply.voltage"].min() == 24.2
        assert len(bench.said("disturbed")) == 1
        assert held.times["supply.voltage"][-1] - held.times["supply.voltage"][0] >= 10.0 - 0.011

    def test_unrest_is_not_waited_for_as_long_as_the_hold(self) -> None:
        """Readings that go on moving cut power after the longest time to settle, not the dwell."""

        def hunting(time_s: float) -> tuple[float, float]:
            return 24.0, 0.1 + (0.05 * math.sin(6.0 * (time_s - 20.0)) if time_s > 20.0 else 0.0)

        bench = FedBench(hunting, dwell_s=7200.0)

        with pytest.raises(Tripped) as tripped:
            bench.hold()

        assert tripped.value.trip.reason is TripReason.UNSETTLED
        assert tripped.value.trip.time_s < 31.0
