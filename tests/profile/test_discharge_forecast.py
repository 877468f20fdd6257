"""What a plan says of the fall through a resistor, against closed formulas and other draws."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from harness.judge.uncertainty import combine
from harness.profile.bench_file import BenchFile
from harness.profile.discharge_forecast import Discharge
from harness.profile.expand import make_plan
from harness.profile.forecast import Forecast
from harness.profile.plan import Plan
from harness.profile.proposal import proposal
from harness.profile.schema import Profile

ProfileOf = Callable[..., Profile]
BenchOf = Callable[..., BenchFile]

FALL = """
[[steps]]
kind = "discharge"
across = "bulk"
below = "60 V"
within = "60 s"
resistor = "OHM"
resistor_tolerance = "1 %"

[[steps.checks]]
name = "capacitance by the fall"
measure = "discharge.bulk_capacitance"
low = "LOW"
"""
MEASURE = "discharge.bulk_capacitance"


@pytest.fixture
def planned(profile_of: ProfileOf, bench_of: BenchOf) -> Callable[..., Plan]:
    """Return a function that plans an AC unit's discharge through a resistor, on a bench."""

    def plan(
        ohm: str = "10 kohm", low: str = "96 uF", measure: str = MEASURE, **changes: tuple[str, str]
    ) -> Plan:
        profile = profile_of("ac")
        fall = FALL.replace("OHM", ohm).replace("LOW", low).replace(MEASURE, measure)
        whole = profile_of("ac", (profile.text, profile.text + fall))
        bench = bench_of(
            ('kind = "dc"', 'kind = "ac"\naveraging_window = "50 ms"'), *changes.values()
        )
        return make_plan(whole, bench)

    return plan


def only(plan: Plan) -> Forecast:
    """Return the one forecast of a discharge."""
    [found] = [one for one in plan.forecasts if one.check.measure == MEASURE]
    return found


class TestForecast:
    def test_a_known_resistor_weighs_well_enough(self, planned: Callable[..., Plan]) -> None:
        """The nameplate's capacitance is expected, known to a few percent, as it will be."""
        found = only(planned())

        assert found.expected == pytest.approx(150e-6)
        assert 0.01 < found.expanded / found.expected < 0.1
        assert found.good_enough
        assert proposal(found) == ""
        assert found.text.startswith("capacitance by the fall: 150 uF will be known to ± ")

    def test_it_is_what_the_weighing_gives(self, planned: Callable[..., Plan]) -> None:
        """Other draws of noise, weighed as a run's readings, have that uncertainty and lie within.

        Source: V = V0 exp(-t / R C), for the true value of the draws; textbook.
        """
        found = only(planned())
        draws = [found.of.weighed(seed).estimates[MEASURE] for seed in range(11, 31)]
        expanded = [combine(one.contributions).expanded for one in draws]

        assert expanded == pytest.approx([found.expanded] * 20, rel=0.3)
        assert max(abs(one.value - 150e-6) for one in draws) < found.expanded

    def test_a_resistor_that_hardly_draws_tells_nothing(self, planned: Callable[..., Plan]) -> None:
        """Beside the unit's own bleeder a large resistor tells nothing: the plan says so before."""
        found = only(planned(ohm="1 Mohm"))

        assert math.isnan(found.expanded)
        assert not found.good_enough
        assert "there will be no figure: " in found.text
        assert any(found.check.name in point.text for point in planned(ohm="1 Mohm").open_points)

    def test_where_the_converter_stops(self, planned: Callable[..., Plan]) -> None:
        """It stops between two readings of the meter: 80 % of where it begins, common practice."""
        stop = "start.stop_voltage"
        plan = planned(low="40 V", measure=stop)
        [found] = [one for one in plan.forecasts if one.check.measure == stop]

        assert found.expected == pytest.approx(0.8 * 55.0, abs=found.expanded)
        assert 0.2 < found.expanded < 4.0

    def test_a_limit_too_near_is_told(self, planned: Callable[..., Plan]) -> None:
        """What cannot be told from the limit is too coarse, by the same uncertainty."""
        found = only(planned(low="149 uF"))

        assert not found.good_enough
        assert "TOO COARSE for a limit that is 1 uF away." in found.text

    def test_nothing_is_said_without_a_bench(self, planned: Callable[..., Plan]) -> None:
        """Nobody knows how an unknown meter reads."""
        assert make_plan(planned().profile).forecasts == ()


class TestPace:
    def test_who_reads_how_fast_is_said_or_taken(self, planned: Callable[..., Plan]) -> None:
        """Where the bench file has no reading_time of the meter a usual one is taken, and told."""
        usual, stated = (
            only(planned(**changes)).of
            for changes in ({}, {"meter": ("[meter]\n", '[meter]\nreading_time = "5 ms"\n')})
        )

        assert usual.assumed_pace == ("meter", 0.05)
        assert stated.assumed_pace is None
        assert isinstance(stated, Discharge)
        assert stated.reading_s == pytest.approx(5e-3)

    def test_the_slower_the_meter_the_less_is_known(self, planned: Callable[..., Plan]) -> None:
        """A meter that takes a second a reading sees too little of the fall."""
        slow = ("[meter]\n", '[meter]\nreading_time = "1 s"\n')

        assert np.isnan(only(planned(meter=slow)).expanded)
