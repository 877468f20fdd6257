"""What a bench can see of a dip: what reads the output, and how closely."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.load import load_profile
from harness.profile.plan import Plan
from tests.profile.conftest import DC_PROFILE

DIP = """
[[steps]]
kind = "dip"
residual = "0 %"
duration = "0.2 s"
dwell = "1 s"
[[steps.checks]]
name = "lowest"
measure = "dip.output"
low = "4.75 V"
[[steps.checks]]
name = "hold-up"
measure = "dip.hold_up"
low = "50 ms"
"""

Written = Callable[[str | bytes], str]
BenchOf = Callable[..., BenchFile]


@pytest.fixture
def plan_of(written: Written, bench_of: BenchOf) -> Callable[..., Plan]:
    """Return a function that plans a dip on a bench whose meter takes so long for a reading."""

    def plan(reading: str | None, text: str = DIP, without: tuple[str, ...] = ("load",)) -> Plan:
        told = "" if reading is None else f'\nreading_time = "{reading}"'
        bench = bench_of(('dialect = "scpi-meter"', f'dialect = "scpi-meter"{told}'))
        bench = bench.model_copy(update=dict.fromkeys(without))
        return make_plan(load_profile(written(DC_PROFILE + text)), bench)

    return plan


def noted(plan: Plan) -> str:
    [note] = [note for note in plan.notes if "voltage dip" in note]
    return note


class TestByTheMeter:
    def test_it_reads_where_no_electronic_load_does(self, plan_of: Callable[..., Plan]) -> None:
        """With one, that goes first; with neither, nobody reads the output."""
        by_meter = plan_of("10 ms").steps[-1]
        assert by_meter.made_of["hold-up"] == ("meter.voltage_dc",)
        assert not by_meter.dropped
        by_load = plan_of("10 ms", without=()).steps[-1]
        assert by_load.made_of["hold-up"] == ("load.voltage",)
        neither = plan_of(None, without=("load", "meter")).steps[-1].dropped
        assert [why for _, why in neither] == [
            "no electronic load reads the output, and this bench has no meter"
        ] * 2

    def test_the_plan_says_to_what_the_hold_up_time_is_known(
        self, plan_of: Callable[..., Plan]
    ) -> None:
        """Two readings, one after the other; or that nobody has timed them."""
        assert "It takes 10 ms for one: the hold-up time lies in an interval of 20 ms" in noted(
            plan_of("10 ms")
        )
        assert "softwake bench measures" in noted(plan_of(None))
        assert "meter" not in noted(plan_of("10 ms", without=()))

    @pytest.mark.parametrize(
        ("reading", "open_"),
        [("25 ms", []), ("26 ms", ["hold-up"]), ("0.1 s", ["hold-up"])],
    )
    def test_a_limit_that_is_finer_is_not_judged(
        self, plan_of: Callable[..., Plan], reading: str, open_: list[str]
    ) -> None:
        """50 ms by readings of 26 ms: the plan says so, and it is an open point."""
        plan = plan_of(reading)
        dropped = plan.steps[-1].dropped
        assert [check.name for check, _ in dropped] == open_
        for _, why in dropped:
            assert "a limit of 50 ms is finer than the" in why
        named = [point.text for point in plan.open_points if "'hold-up'" in point.text]
        assert bool(named) is bool(open_)

    def test_a_drop_that_no_reading_lies_in_shows_nothing(
        self, plan_of: Callable[..., Plan]
    ) -> None:
        """Neither the lowest voltage nor a hold-up time."""
        dropped = plan_of("0.11 s").steps[-1].dropped
        assert [why for _, why in dropped] == [
            (
                "the meter takes 0.11 s for a reading, and none may lie in a drop of 0.2 s as a "
                "whole: take an electronic load, or a quicker meter"
            )
        ] * 2
