"""What a plan says of a whole start: where the converter begins, energy, highest current."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import pytest

from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.forecast import Forecast
from harness.profile.level import Level
from harness.profile.proposal import proposal
from harness.profile.schema import Profile
from harness.profile.whole_start import peak_a
from harness.profile.wiring import Operations
from harness.quantity import parse_quantity
from tests.profile.test_start_levels import ac, dc

ProfileOf = Callable[..., Profile]
BenchOf = Callable[..., BenchFile]

BEGINS = """
[[steps.checks]]
name = "turn-on voltage"
measure = "start.begin_voltage"
low = "5 V"
high = "13 V"
"""
JUDGED = ('high = "80 mA"\n', f'high = "80 mA"\n{BEGINS}')
FINER = ('"25 %", "50 %"', '"25 %", "30 %", "35 %", "50 %"')


@pytest.fixture
def foreseen(profile_of: ProfileOf, bench_of: BenchOf) -> Callable[..., Forecast]:
    """Return a function that plans a DC start on a bench and returns its one forecast."""

    def plan(*changes: tuple[str, str], bench: tuple[str, str] | None = None) -> Forecast:
        given = bench_of(*([] if bench is None else [bench]))
        [found] = make_plan(profile_of("dc", JUDGED, *changes), given).forecasts
        return found

    return plan


def test_it_lies_between_two_levels(foreseen: Callable[..., Forecast]) -> None:
    """A converter that begins at 7.2 V shows between the levels of 6 V and 12 V: anywhere there.

    Source: JCGM 100:2008, 4.3.7 (half-width over the root of three) and Table G.2 (1.96).
    """
    found = foreseen()

    assert found.expected == pytest.approx(9.0, abs=0.05)
    assert found.expanded == pytest.approx(1.96 * 3.0 / math.sqrt(3.0), rel=0.02)
    assert found.good_enough
    assert found.text.startswith(
        "turn-on voltage: 9 V will be known to ± 3.4 V (38 %), good enough"
    )


def test_more_levels_tell_it_more_finely(foreseen: Callable[..., Forecast]) -> None:
    """With levels at 6 V and 7.2 V it is known to a fifth of that."""
    found = foreseen(FINER)

    assert found.expected == pytest.approx(6.6, abs=0.05)
    assert found.expanded == pytest.approx(1.96 * 0.6 / math.sqrt(3.0), rel=0.05)


def test_too_coarse_is_said(foreseen: Callable[..., Forecast]) -> None:
    """A window narrower than the gap between two levels cannot be decided."""
    narrow = ('low = "5 V"\nhigh = "13 V"', 'low = "7 V"\nhigh = "10 V"')
    found = foreseen(narrow)

    assert not found.good_enough
    assert "TOO COARSE for a limit that is 1 V away." in found.text


def test_closer_levels_are_proposed(foreseen: Callable[..., Forecast]) -> None:
    """Levels between the two that it begins between are proposed; put in, they are enough."""
    narrow = ('low = "5 V"\nhigh = "13 V"', 'low = "5 V"\nhigh = "11 V"')
    told = re.fullmatch(r"More levels, (.+), give U = (.+)\.", proposal(foreseen(narrow)))
    assert told is not None
    closer = ('"25 %", "50 %"', f'"25 %", {told[1]}, "50 %"')
    found = foreseen(narrow, closer)

    assert found.good_enough
    assert found.expanded == pytest.approx(parse_quantity(told[2], "V"), rel=0.02)
    assert proposal(found) == ""


def test_no_pace_is_assumed_for_it(foreseen: Callable[..., Forecast]) -> None:
    """How fast the supply reads does not matter to it, so nothing is said of that."""
    slow = ("[supply]\n", '[supply]\nreading_time = "100 ms"\n')
    found = foreseen(bench=slow)

    assert found.of.assumed_pace is None
    assert found.expanded == pytest.approx(foreseen().expanded, rel=1e-3)


def whole(measure: str, limit: str) -> tuple[str, str]:
    """Put a check of a whole start into the profile."""
    check = f'[[steps.checks]]\nname = "judged"\nmeasure = "{measure}"\nhigh = "{limit}"\n'
    return ('high = "80 mA"\n', f'high = "80 mA"\n{check}')


Planned = Callable[..., Forecast]
OWN = 'output_capacitance = "220 uF"\noutput_capacitance_error = "10 uF"\n'


@pytest.fixture
def planned(profile_of: ProfileOf, bench_of: BenchOf) -> Planned:
    """Return a function that plans a start of which one figure is judged."""

    def plan(
        measure: str,
        limit: str,
        *changes: tuple[str, str],
        bench: tuple[tuple[str, str], ...] = (),
        operations: Operations | None = None,
    ) -> Forecast:
        profile = profile_of("dc", whole(measure, limit), *changes)
        bench = (*bench, ("[supply]\n", f"[supply]\n{OWN}"))
        [found] = make_plan(profile, bench_of(*bench), operations=operations).forecasts
        return found

    return plan


class TestEnergy:
    def test_it_is_what_the_capacitor_and_the_converter_take(self, planned: Planned) -> None:
        """C V^2 / 2 of 470 uF at 24 V, filled at constant current, and 0.6 W from 12 V on.

        Source: textbook. 1.25 s at each of three levels; half of what falls before a first reading
        is as uncertain as the rest is known.
        """
        found = planned("start.energy", "20 J")

        stored_j, idle_j = 0.5 * 470e-6 * 24.0**2, 3 * 1.25 * 0.6
        assert found.expected == pytest.approx(stored_j + idle_j, abs=0.15)
        assert found.good_enough
        assert found.text.startswith("judged: 2.")

    def test_an_offset_counts_for_as_long_as_it_is_read(self, planned: Planned) -> None:
        """5 mA of offset over five holds: U is 1.96 / root 3 times 5 mA times volts times time.

        Source: JCGM 100:2008, 4.3.7 and 5.1.2. The levels come to 62.4 V together.
        """
        quick = '[supply]\nreading_time = "1 ms"\n'
        held = ('dwell = "1 s"', 'dwell = "10 s"')
        found = planned("start.energy", "200 J", held, bench=(("[supply]\n", quick),))

        assert found.expanded == pytest.approx(1.96 / math.sqrt(3) * 5e-3 * 62.4 * 10.25, rel=0.05)

    def test_a_shorter_hold_is_proposed(self, planned: Planned) -> None:
        """What is proposed, put into the profile, has the uncertainty that was promised."""
        held = ('dwell = "1 s"', 'dwell = "10 s"')
        found = planned("start.energy", "20 J", held)
        told = re.fullmatch(
            r'With dwell = "(.+)" the start takes (.+) J, known to ± (.+); '
            r"its limit is to come closer by as much\.",
            proposal(found),
        )
        assert told is not None, proposal(found)
        shorter = planned("start.energy", "20 J", ('dwell = "1 s"', f'dwell = "{told[1]}"'))

        assert "TOO COARSE for a limit that is" in found.text
        assert shorter.expected == pytest.approx(float(told[2]), rel=0.01)
        assert shorter.expanded == pytest.approx(parse_quantity(told[3], "J"), rel=0.02)

    def test_where_no_hold_helps_the_limit_that_could_be_judged_is_told(
        self, planned: Planned
    ) -> None:
        """A limit twice its uncertainty away: a unit halfway to it can still be told."""
        found = planned("start.energy", "1 J")

        assert "TOO COARSE for a limit that it is 1." in found.text
        assert "could be judged" in proposal(found)

    def test_a_pace_nobody_states_is_named(self, planned: Planned) -> None:
        """What falls between two readings is uncertain, so their pace matters."""
        assert planned("start.energy", "20 J").of.assumed_pace == ("supply", 0.01)


PEAK = (
    'current = "0.2 % + 5 mA" }   #',
    'current = "0.2 % + 5 mA", current_peak = "1 % + 50 mA" }   #',
)


class TestSwitchOnCurrent:
    def test_a_dc_supply_holds_its_limit(self, planned: Planned) -> None:
        """0.3 A known to 1 % and 50 mA: U is 1.96 / root 3 times 53 mA (JCGM 100:2008, 4.3.7)."""
        found = planned("start.switch_on_current", "0.5 A", bench=(PEAK,))

        assert found.expected == pytest.approx(0.3)
        assert found.expanded == pytest.approx(1.96 / math.sqrt(3) * 0.053, rel=1e-3)
        assert found.good_enough
        assert found.of.assumed_pace is None

    def test_too_near_a_limit_is_told(self, planned: Planned) -> None:
        """Nothing in the profile makes a peak better known."""
        found = planned("start.switch_on_current", "0.34 A", bench=(PEAK,))

        assert "TOO COARSE for a limit that is 40 mA away." in found.text
        assert "a limit that is 120 mA away could be judged." in proposal(found)

    def test_a_dialect_that_holds_none_says_so(self, planned: Planned) -> None:
        """Without ``measure_current_peak`` there is nothing to judge, and the plan says why."""
        have = {"supply": frozenset({"measure_voltage", "measure_current"})}
        found = planned("start.switch_on_current", "0.5 A", bench=(PEAK,), operations=have)

        assert math.isnan(found.expanded)
        assert "the supply's dialect has no measure_current_peak" in found.text

    def test_an_accuracy_nobody_states_is_asked_for(self, planned: Planned) -> None:
        """A bound that nobody states is none."""
        found = planned("start.switch_on_current", "0.5 A")

        assert "states no accuracy of the supply's current_peak" in found.text

    def test_an_ac_source_clamps_or_the_line_bounds_it(self) -> None:
        """At most 4 x 0.5 A; and C w V cos a of the rise where that is less, by hand.

        Source: i = C dv/dt; sin a = V0 / V, textbook. 150 uF at 60 Hz from 110 V to 120 V: 3.84 A.
        """
        rise = (at(110.0, 0.5), at(120.0, 2.0))

        assert peak_a((at(60.0, 0.5), at(120.0, 0.5)), ac()) == pytest.approx(2.0)
        assert peak_a((at(110.0, 0.5), at(120.0, 2.0)), ac()) == pytest.approx(3.836, rel=1e-3)
        assert peak_a(rise, dc()) == pytest.approx(2.0)


def at(volts: float, limit_a: float) -> Level:
    """A level."""
    return Level(label=f"{volts:g} V", voltage_v=volts, current_limit_a=limit_a, dwell_s=1.0)
