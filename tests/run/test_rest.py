from __future__ import annotations

import math
import random

import pytest

from harness.power.trip import Tripped, TripReason
from harness.profile.step import Rest
from harness.run.meters import check_in_sync
from harness.run.rest import Dwell
from tests.run.fed import FedBench


class TestVoltageThatMovesInAHold:
    @pytest.mark.parametrize(
        ("moved_v", "detail"),
        [
            (26.2, "settled at 26.2 V, above the 24 V set"),
            (20.0, "settled at 20 V, below the 24 V set"),
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
        bench = FedBench(lambda t: (24.0 - 1e-3 * t, 0.1), interval_s=0.1, dwell_s=7200.0)

        with pytest.raises(Tripped) as tripped:
            bench.hold()

        trip = tripped.value.trip
        assert trip.reason is TripReason.VOLTAGE_NOT_REACHED
        assert "below the 24 V" in trip.detail
        assert not bench.said("disturbed")
        # 2 % of what was set and twice the supply's 0.05 % + 10 mV: 0.524 V at 1 mV a second
        assert trip.time_s == pytest.approx(524.0, rel=0.01)

    def test_what_moves_inside_the_bound_voids_the_hold(self) -> None:
        """A small step of voltage restarts the hold, and nothing read before it counts."""
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


class TestDisturbances:
    def test_the_third_disturbed_hold_cuts_power(self) -> None:
        """Two holds may be disturbed; the third is no accident of the bench any more."""

        def steps(time_s: float) -> tuple[float, float]:
            return 24.0, 0.1 * (1 + int(time_s / 10.0))  # another current every ten seconds

        bench = FedBench(steps, dwell_s=60.0)

        with pytest.raises(Tripped) as tripped:
            bench.hold()

        trip = tripped.value.trip
        assert trip.reason is TripReason.UNSETTLED
        assert trip.detail.startswith("3 holds disturbed, the last at nominal: supply current")
        assert trip.time_s == pytest.approx(30.0, abs=0.5)
        assert len(bench.said("disturbed")) == 3

    def test_two_are_survived(self) -> None:
        """A hold that is disturbed twice restarts each time, and is then complete."""
        bench = FedBench(lambda t: (24.0, 0.1 * (1 + min(int(t / 10.0), 2))), dwell_s=15.0)

        held = bench.hold()

        assert held.readings["supply.current"].min() == pytest.approx(0.3)
        assert len(bench.said("disturbed")) == 2


class TestVoltageThatIsNotReached:
    @pytest.mark.parametrize(
        ("rests_at_v", "side"), [(24.53, "above"), (23.47, "below"), (21.0, "below")]
    )
    def test_it_cuts_power_before_any_hold(self, rests_at_v: float, side: str) -> None:
        """The bound is 2 % of what was set and twice the supply's 0.05 % + 10 mV: 0.524 V."""
        bench = FedBench(lambda _: (rests_at_v, 0.1))

        with pytest.raises(Tripped) as tripped:
            bench.hold()

        trip = tripped.value.trip
        assert trip.reason is TripReason.VOLTAGE_NOT_REACHED
        assert trip.detail == f"settled at {rests_at_v:g} V, {side} the 24 V set"

    @pytest.mark.parametrize("rests_at_v", [24.51, 23.49])
    def test_inside_the_bound_it_is_held(self, rests_at_v: float) -> None:
        """Half a volt of 24 V away is what leads may drop: the level is held."""
        FedBench(lambda _: (rests_at_v, 0.1), dwell_s=1.0).hold()


class TestMeterInStep:
    def test_a_hold_ends_with_a_look_at_the_meters_answers(self) -> None:
        """In a hold too short for another look, the last one still finds a meter out of step."""
        bench = FedBench(lambda _: (24.0, 0.1), dwell_s=0.2)
        dwell = Dwell(bench.context, bench.step, bench.level)
        dwell.settle()
        check_in_sync(bench.context, "meter")  # in step as the hold begins
        begin_s = bench.clock.now_s()
        bench.meter.out_of_step_from_s = begin_s

        with pytest.raises(Tripped) as tripped:
            dwell.hold(("meter.voltage_dc",))

        assert tripped.value.trip.reason is TripReason.OUT_OF_STEP
        assert tripped.value.trip.time_s - begin_s < 0.5  # no other look was due


RANDOM = random.Random(1)


def board_at_work(_time_s: float) -> tuple[float, float]:
    """A digital board: 4 W and 0.2 W of scatter at 24 V."""
    return 24.0 + RANDOM.gauss(0.0, 0.005), (4.0 + RANDOM.gauss(0.0, 0.2)) / 24.0


class TestABoardAtWork:
    @pytest.mark.parametrize("interval_s", [0.0005, 0.0025, 0.01, 0.1])
    def test_it_settles_and_is_held(self, interval_s: float) -> None:
        """Power that scatters by a twentieth is at rest, and its hold is never disturbed."""
        bench = FedBench(board_at_work, interval_s=interval_s, dwell_s=5.0)

        held = bench.hold()

        assert not bench.said("disturbed")
        assert held.readings["supply.power"].mean() == pytest.approx(4.0, rel=0.02)
        assert bench.clock.now_s() < 16.0

    def test_a_drop_out_in_its_hold_is_seen(self) -> None:
        """A contact that opens for one reading disturbs the hold, however the board scatters."""
        bench = FedBench(
            lambda t: board_at_work(t) if not 8.0 <= t < 8.015 else (24.0, 0.0), dwell_s=10.0
        )

        bench.hold()

        (said,) = bench.said("disturbed")
        assert said.startswith("nominal: supply current jumped by 1")


class TestWhatTheProfileSays:
    def test_a_wider_tolerance_rests_sooner(self) -> None:
        """The profile's tolerance decides how far the mean may move in a span."""

        def warming(time_s: float) -> tuple[float, float]:
            return 24.0, 0.1 + 0.05 * time_s

        with pytest.raises(Tripped) as tripped:
            FedBench(warming, dwell_s=1.0).hold()

        assert tripped.value.trip.reason is TripReason.UNSETTLED
        assert tripped.value.trip.detail == (
            "after 10 s at nominal: supply current still moves, by 10 mA over 0.2 s, "
            "more than 4.5 mA"
        )
        FedBench(warming, dwell_s=1.0, rest=Rest.model_validate({"tolerance": "2 %"})).hold()

    def test_the_longest_time_is_the_profiles(self) -> None:
        """Power is cut after the longest time that the profile gives the readings to rest."""
        rest = Rest.model_validate({"longest": "3 s"})
        bench = FedBench(lambda t: (24.0, 0.1 + 0.05 * t), rest=rest)

        with pytest.raises(Tripped) as tripped:
            bench.hold()

        assert tripped.value.trip.time_s == pytest.approx(3.0, abs=0.1)
