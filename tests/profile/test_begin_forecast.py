"""What a plan says of the voltage at which the converter begins: between two levels."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.forecast import Forecast
from harness.profile.proposal import proposal
from harness.profile.schema import Profile

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
    assert proposal(found) == ""


def test_no_pace_is_assumed_for_it(foreseen: Callable[..., Forecast]) -> None:
    """How fast the supply reads does not matter to it, so nothing is said of that."""
    slow = ("[supply]\n", '[supply]\nreading_time = "100 ms"\n')
    found = foreseen(bench=slow)

    assert found.of.assumed_pace is None
    assert found.expanded == pytest.approx(foreseen().expanded, rel=1e-3)
