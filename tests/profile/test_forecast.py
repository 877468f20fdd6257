"""What a bench will be able to tell of a unit by its start, said before power."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pytest

from harness.judge.start_charge import weigh_dc
from harness.judge.start_curve import LevelReadings, StartFigures
from harness.judge.uncertainty import combine
from harness.profile.expand import make_plan
from harness.profile.forecast import Forecast
from harness.profile.proposal import proposal
from harness.quantity import parse_quantity
from tests.outside.circuits import DcCircuit, DcParts
from tests.outside.converter import Converter, ConverterParts

if TYPE_CHECKING:
    from harness.profile.bench_file import BenchFile
    from harness.profile.plan import Plan
    from harness.profile.schema import Profile

ProfileOf = Callable[..., "Profile"]
BenchOf = Callable[..., "BenchFile"]

CAPACITANCE = """
[[steps.checks]]
name = "bulk capacitance"
measure = "start.bulk_capacitance"
low = "376 uF"
"""
#: A quick start: the level is over before it could be followed.
QUICK = ('current_limit = "0.30 A"', 'current_limit = "0.70 A"')
OWN = 'output_capacitance = "220 uF"\noutput_capacitance_error = "10 uF"\n'


@pytest.fixture
def planned(profile_of: ProfileOf, bench_of: BenchOf) -> Callable[..., Plan]:
    """Return a function that plans a start whose bulk capacitance is judged, on a bench."""

    def plan(*changes: tuple[str, str], own: str = OWN, reading: str = "1 ms") -> Plan:
        judged = ('high = "80 mA"\n', f'high = "80 mA"\n{CAPACITANCE}')
        profile = profile_of("dc", judged, *changes)
        supply = f'[supply]\nreading_time = "{reading}"\n{own}'
        return make_plan(profile, bench_of(("[supply]\n", supply)))

    return plan


def only(plan: Plan) -> Forecast:
    """Return the one forecast of a plan."""
    (found,) = plan.forecasts
    return found


class TestForecast:
    def test_a_quick_start_tells_nothing(self, planned: Callable[..., Plan]) -> None:
        """At 0.7 A the lowest level is over within a few readings: the plan says so beforehand."""
        found = only(planned(QUICK))

        assert found.of.readings == 2  # 690 uF x 2.4 V / 0.7 A = 2.4 ms, one each 1 ms
        assert math.isnan(found.expanded)
        assert not found.good_enough
        assert found.text.startswith("bulk capacitance: there will be no figure: 10 %: ")
        assert "readings while the voltage rose" in found.text

    def test_what_makes_it_good_enough_is_proposed(self, planned: Callable[..., Plan]) -> None:
        """The proposal, put into the profile, gives what it promises."""
        told = proposal(only(planned(QUICK)))
        limit, readings, share = re.fullmatch(
            r'At 700 mA the 10 % level is over after 2 readings; slow_limit = "(.+)" gives '
            r"(\d+) readings and U = (.+) %\.",
            told,
        ).groups()  # type: ignore[union-attr]
        slow = ('current_limit = "0.70 A"', f'current_limit = "0.70 A"\nslow_limit = "{limit}"')
        found = only(planned(QUICK, slow))

        assert found.good_enough
        assert found.of.readings == int(readings)
        assert 100 * found.expanded / 470e-6 == pytest.approx(float(share), rel=0.02)
        assert proposal(found) == ""

    def test_a_slow_bench_is_proposed_another_limit(self, planned: Callable[..., Plan]) -> None:
        """A bench that reads slowly needs a slower level, for as many readings."""
        told = [proposal(only(planned(QUICK, reading=each))) for each in ("1 ms", "10 ms")]
        quick_a, slow_a = (parse_quantity(re.findall('"(.+)"', each)[0], "A") for each in told)

        assert slow_a < quick_a / 5

    def test_unknown_capacitance_of_the_supply_comes_first(
        self, planned: Callable[..., Plan]
    ) -> None:
        """Where nobody knows what else charges there is no figure, and the way to it is told."""
        slow = ('current_limit = "0.30 A"', 'current_limit = "0.30 A"\nslow_limit = "20 mA"')
        found = only(planned(slow, own=""))

        assert "the supply's own capacitance is not known" in found.text
        assert "'softwake bench --wiring' measures it" in proposal(found)

    def test_a_limit_too_near_is_told(self, planned: Callable[..., Plan]) -> None:
        """An uncertainty as large as the distance to the limit cannot judge a unit as printed."""
        slow = ('current_limit = "0.30 A"', 'current_limit = "0.30 A"\nslow_limit = "20 mA"')
        near = ('low = "376 uF"', 'low = "468 uF"')
        far, found = only(planned(slow)), only(planned(slow, near))

        assert far.good_enough
        assert "good enough for a limit that is 94 uF away." in far.text
        assert not found.good_enough
        assert "TOO COARSE for a limit that is 2 uF away." in found.text
        assert found.expanded == far.expanded

    def test_nothing_is_said_without_a_bench(self, profile_of: ProfileOf) -> None:
        """Without a bench nobody knows how it reads; without such a check nobody asks."""
        judged = ('high = "80 mA"\n', f'high = "80 mA"\n{CAPACITANCE}')

        assert make_plan(profile_of("dc", judged)).forecasts == ()

    def test_a_profile_without_such_a_check_loads_no_solver(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """No figure of the start judged: none is forecast."""
        assert make_plan(profile_of("dc"), bench_of()).forecasts == ()


class TestOpenPoints:
    def test_a_check_that_will_not_be_decided_is_open_until_it_passes(
        self, planned: Callable[..., Plan]
    ) -> None:
        """What cannot be told keeps a release back, unless the check passes all the same."""
        plan = planned(QUICK)
        (point,) = (point for point in plan.open_points if point.proved_by)

        assert point.proved_by == "bulk capacitance"
        assert point.text.startswith(
            "Check 'bulk capacitance' of step 1 (start) is not expected to be decided: "
        )

    def test_one_that_will_be_decided_is_none(self, planned: Callable[..., Plan]) -> None:
        """A forecast that is good enough is no point at all."""
        slow = ('current_limit = "0.30 A"', 'current_limit = "0.30 A"\nslow_limit = "20 mA"')

        assert [point for point in planned(slow).open_points if point.proved_by] == []


class TestOutsideCircuit:
    """The same start on a supply and a unit with a solver of their own (``tests/outside``)."""

    def readings(self, plan: Plan, farad: float, seed: int) -> StartFigures:
        """Weigh the plan's levels as an outside circuit gives them, read each 1 ms."""
        assert plan.bench is not None
        converter = Converter(
            ConverterParts(
                start_v=8.0, stop_v=7.0, soft_start_s=0.01, idle_w=0.5, loss_frac=0.2, rail_v=5.0
            ),
            seed,
        )
        circuit = DcCircuit(DcParts(bulk_f=farad, supply_f=220e-6), converter, 0.0)
        noise = np.random.default_rng(seed)
        circuit.switch(on=True)
        levels = []
        for level in plan.steps[0].levels[:2]:  # below the threshold
            circuit.set_v, circuit.limit_a = level.voltage_v, level.current_limit_a
            set_s, rows = circuit.now_s, []
            while circuit.now_s < set_s + 1.0:
                circuit.advance(circuit.now_s + 0.5e-3)
                volts = circuit.terminal_v
                circuit.advance(circuit.now_s + 0.5e-3)
                rows.append((circuit.now_s, volts, circuit.current_a))
            times_s, volts_v, amperes_a = np.array(rows).T
            volts_v = volts_v * 1.0002 + 4e-3 + noise.normal(0.0, 0.5e-3, volts_v.size)
            amperes_a = amperes_a * 0.999 - 2e-3 + noise.normal(0.0, 0.1e-3, amperes_a.size)
            levels.append(
                LevelReadings(
                    label=level.label,
                    set_v=level.voltage_v,
                    limit_a=level.current_limit_a,
                    set_s=set_s,
                    times_s=times_s,
                    voltage_v=volts_v,
                    current_a=amperes_a,
                    power_w=volts_v * amperes_a,
                )
            )
        return weigh_dc(levels, only(plan).of.errors)

    def test_worth_nothing_at_first_and_good_as_proposed(
        self, planned: Callable[..., Plan]
    ) -> None:
        """470 uF at 0.7 A give no figure; as proposed a true one, about as exact as forecast."""
        quick = planned(QUICK)
        limit = re.findall('"(.+)"', proposal(only(quick)))[0]
        slow = planned(
            QUICK, ('current_limit = "0.70 A"', f'current_limit = "0.70 A"\nslow_limit = "{limit}"')
        )

        assert "start.bulk_capacitance" in self.readings(quick, 470e-6, 1).why_not
        for seed, farad in enumerate((470e-6, 400e-6, 235e-6)):
            estimate = self.readings(slow, farad, seed).estimates["start.bulk_capacitance"]
            expanded = combine(estimate.contributions).expanded
            assert abs(estimate.value - farad) <= expanded
            assert expanded <= 1.5 * only(slow).expanded


class TestAcStart:
    @pytest.fixture
    def planned_ac(self, profile_of: ProfileOf, bench_of: BenchOf) -> Callable[..., Plan]:
        """Return a function that plans an AC start whose bulk capacitance is judged."""

        def plan(limits: str, reading: str, levels: str = '"10 %", "25 %", "40 %"') -> Plan:
            check = CAPACITANCE.replace("376 uF", "96 uF")
            profile = profile_of(
                "ac",
                (
                    'levels = ["25 %", "50 %", "100 %"]',
                    f'levels = [{levels}, "100 %"]',
                ),
                ('current_limit = "0.5 A"\ndwell = "1 s"', f'{limits}dwell = "1 s"\n{check}'),
            )
            bench = bench_of(
                (
                    'kind = "dc"               # dc or ac',
                    f'kind = "ac"\nreading_time = "{reading}"',
                ),
                ('"scpi-dc-supply"', '"scpi-ac-source"\naveraging_window = "50 ms"'),
                ('voltage = "60 V"', 'voltage = "300 V"'),
                (
                    'voltage = "0.05 % + 10 mV", current = "0.2 % + 5 mA"',
                    'voltage = "0.1 % + 0.1 V", current = "0.2 % + 3 mA", power = "0.3 % + 0.2 W"',
                ),
            )
            return make_plan(profile, bench)

        return plan

    def test_a_slow_one_is_good_enough(self, planned_ac: Callable[..., Plan]) -> None:
        """Where each gain takes some readings, the capacitor will be known to a few per cent."""
        slow = 'slow_limit = "30 mA"\ncurrent_limit = "0.5 A"\n'
        found = only(planned_ac(slow, "52 ms"))

        assert found.good_enough
        assert 0.03 < found.expanded / 150e-6 < 0.10

    def test_a_quick_one_is_proposed_a_slow_limit(self, planned_ac: Callable[..., Plan]) -> None:
        """At half an ampere all is over within a reading; a limit is proposed that is enough."""
        found = only(planned_ac('current_limit = "0.5 A"\n', "52 ms"))
        limit = re.findall('slow_limit = "(.+)"', proposal(found))[0]
        slow = only(planned_ac(f'slow_limit = "{limit}"\ncurrent_limit = "0.5 A"\n', "52 ms"))

        assert math.isnan(found.expanded)
        assert slow.good_enough

    def test_one_level_is_proposed_another(self, planned_ac: Callable[..., Plan]) -> None:
        """With one level below the threshold there is no gain to weigh: one more is proposed, with
        the limit at which it is enough; put into the profile it gives what it promises.
        """
        found = only(planned_ac('current_limit = "0.5 A"\n', "52 ms", '"25 %", "50 %"'))
        told = re.fullmatch(
            r"One more level, (\d+ %), still below the threshold, "
            r'and slow_limit = "(.+)" gives U = ([\d.]+) %\.',
            proposal(found),
        )
        assert told is not None, proposal(found)
        level, limit, share = told.groups()
        slow = f'slow_limit = "{limit}"\ncurrent_limit = "0.5 A"\n'
        better = only(planned_ac(slow, "52 ms", f'"25 %", "{level}", "50 %"'))

        assert "Fewer than two levels" in found.text
        assert better.good_enough
        assert 100 * better.expanded / 150e-6 == pytest.approx(float(share), rel=0.02)
        assert proposal(better) == ""
