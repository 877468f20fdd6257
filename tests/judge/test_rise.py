"""When outputs came up, from readings in turn: between which two, and by how much apart."""

from __future__ import annotations

import math

import pytest

from harness.judge.propagate import Estimate, total
from harness.judge.rise import came_up, rise_delay
from harness.judge.uncertainty import combine, rectangular

TIMES = (0.0, 0.1, 0.2, 0.3)


class TestCameUp:
    @pytest.mark.parametrize(
        ("volts", "between"),
        [
            ((0.0, 1.0, 4.6, 5.0), (0.1, 0.2)),
            ((0.0, 4.4, 4.5, 5.0), (0.1, 0.2)),
            ((5.0, 5.0, 5.0, 5.0), (-math.inf, 0.0)),
            ((0.0, 0.0, 0.0, 4.49), None),
            ((0.0, -1.0, -4.6, -5.0), (0.1, 0.2)),
        ],
    )
    def test_it_is_up_from_nine_tenths_of_nominal_on(
        self, volts: tuple[float, ...], between: tuple[float, float] | None
    ) -> None:
        """Between the last reading below and the first at 90 %, whatever the sign."""
        assert came_up(TIMES, volts, 5.0) == between


class TestDelay:
    def test_each_is_anywhere_between_two_readings(self) -> None:
        """The difference of two middles; both half-widths are rectangular (JCGM 100, 4.3.7)."""
        found = rise_delay((0.1, 0.2), (0.5, 0.7), low=0.0, high=1.0)

        assert found.value == pytest.approx(0.45)
        expected = math.hypot(0.05, 0.1) / math.sqrt(3.0)
        assert combine(found.contributions).standard == pytest.approx(expected)

    def test_the_wrong_order_is_below_zero(self) -> None:
        """The second came up before the first."""
        assert rise_delay((0.5, 0.6), (0.1, 0.2), low=0.0, high=None).value == pytest.approx(-0.4)

    @pytest.mark.parametrize(
        ("first", "second", "low", "high", "known"),
        [
            ((-math.inf, 0.0), (0.1, 0.2), 0.0, None, True),  # at least so long after it
            ((-math.inf, 0.0), (0.1, 0.2), 0.0, 1.0, False),
            ((0.1, 0.2), (-math.inf, 0.0), None, 1.0, True),  # at most so long
            ((0.1, 0.2), (-math.inf, 0.0), 0.0, None, False),
            ((-math.inf, 0.0), (-math.inf, 0.0), 0.0, None, False),
        ],
    )
    def test_what_was_up_before_it_was_read_is_a_bound_on_one_side(
        self,
        first: tuple[float, float],
        second: tuple[float, float],
        low: float | None,
        high: float | None,
        *,
        known: bool,
    ) -> None:
        """It decides a limit on that side alone, and nothing about the other."""
        found = rise_delay(first, second, low=low, high=high)

        assert math.isfinite(combine(found.contributions).expanded) is known

    def test_what_never_came_up_has_no_delay(self) -> None:
        """Not a number: it can never pass."""
        assert math.isnan(rise_delay(None, (0.1, 0.2), low=0.0, high=None).value)


def test_a_total_adds_values_and_squares_of_uncertainties() -> None:
    """Powers of several loads, each with an error of its own (JCGM 100, 5.1.2)."""
    parts = [
        Estimate(value=value, contributions=(rectangular(f"{value}", half),))
        for value, half in ((48.0, 0.3), (5.0, 0.4))
    ]
    found = total(parts)

    assert found.value == 53.0
    assert combine(found.contributions).standard == pytest.approx(0.5 / math.sqrt(3.0))
