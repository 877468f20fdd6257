"""The slow level of a start: what a profile may ask for, and what the plan makes of it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.bench.sample import SupplySample
from harness.errors import FileError
from harness.power.inrush_monitor import LevelWatch
from harness.power.trip import TripReason
from harness.profile.expand import make_plan
from harness.profile.level import Level
from harness.profile.load import load_bench, load_profile
from tests.profile.conftest import DC_PROFILE

LIMIT = 'current_limit = "0.30 A"'


def slow(limit: str, **changes: str) -> str:
    """Return the profile with a slow limit, and other words changed."""
    text = DC_PROFILE.replace(LIMIT, f'{LIMIT}\nslow_limit = "{limit}"')
    for before, after in changes.items():
        text = text.replace(before, after)
    return text


def sample(time_s: float, voltage_v: float, current_a: float) -> SupplySample:
    """Return a sample of a supply that does not say whether it is in its limit."""
    return SupplySample(
        time_s, voltage_v, current_a, voltage_v * current_a, limiting=None, protection=False
    )


class TestRules:
    """What a profile may not ask for."""

    def mistake(self, written: Callable[[str | bytes], str], text: str) -> str:
        """Return the one mistake there is."""
        with pytest.raises(FileError) as raised:
            load_profile(written(text))
        (mistake,) = raised.value.mistakes
        assert mistake.key == "steps[0].slow_limit"
        return mistake.problem

    def test_slower_than_the_others(self, written: Callable[[str | bytes], str]) -> None:
        """It is no higher than the limit of the other levels."""
        assert (
            self.mistake(written, slow("400 mA")) == "400 mA is above the current_limit of 300 mA"
        )

    def test_below_the_threshold(self, written: Callable[[str | bytes], str]) -> None:
        """A unit that works already is not held at a trickle."""
        text = slow("20 mA").replace('["10 %", "25 %", ', '["40 %", ')

        assert self.mistake(written, text) == (
            "the lowest level is 9.6 V, not below the unit's start_threshold of 7.2 V: a unit that "
            "works takes more"
        )


class TestLevels:
    """The levels of the plan."""

    @pytest.fixture
    def levels(self, written: Callable[[str | bytes], str]) -> tuple[Level, ...]:
        """Those of the start, on the simulated bench."""
        profile = load_profile(written(slow("20 mA")))
        return make_plan(profile, load_bench("bench-simulated-dc")).steps[0].levels

    def test_the_lowest_alone_is_slow(self, levels: tuple[Level, ...]) -> None:
        """The next levels go by the current limit."""
        assert [level.current_limit_a for level in levels] == [0.02, 0.3, 0.3, 0.3, 0.3]

    def test_allowance_stays(self, levels: tuple[Level, ...]) -> None:
        """The slow level has its charge allowance as any (safety rule 6)."""
        assert levels[0].budget is not None
        assert levels[0].budget.healthy == pytest.approx(470e-6 * 2.4)

    def test_time_at_limit_stays(self, written: Callable[[str | bytes], str]) -> None:
        """Without a capacitance the time at the limit is bounded there as well."""
        text = slow("20 mA").replace('bulk_capacitance = "470 uF", ', "")
        first = make_plan(load_profile(written(text))).steps[0].levels[0]

        assert first.current_limit_a == 0.02
        assert first.time_at_limit_s == 0.5

    def test_short_is_found_at_a_trickle(self, levels: tuple[Level, ...]) -> None:
        """A short that takes 20 mA and raises no voltage uses the allowance up, and is cut."""
        watch = LevelWatch(levels[0])
        finding = None
        time_s = 0.0
        while finding is None and time_s < 1.0:
            time_s += 0.009
            finding = watch.add(sample(time_s, 0.01, 0.02))

        assert finding is not None
        assert finding[0] is TripReason.CHARGE_BUDGET
        assert time_s < 0.1

    @pytest.mark.parametrize("leak_a", [0.0, 0.002, 0.004])
    def test_healthy_unit_passes(self, levels: tuple[Level, ...], leak_a: float) -> None:
        """One with an ordinary leak, on readings as far off as they may be, is not cut."""
        watch = LevelWatch(levels[0])
        voltage_v, step_s, total_f = 0.0, 0.009, (564 + 220) * 1e-6
        for number in range(300):
            share = voltage_v / 2.4
            voltage_v = min(2.4, voltage_v + (0.02 - leak_a * share) * step_s / total_f)
            current_a = (0.02 if voltage_v < 2.4 else leak_a) + 0.002
            assert not watch.add(sample(number * step_s, voltage_v, current_a)), voltage_v
