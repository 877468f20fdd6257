from __future__ import annotations

import math

import pytest

from harness.power.envelope import beyond
from harness.power.trip import TripReason

BOUNDS = (26.4, 1.5, 36.0)


class TestBeyond:
    @pytest.mark.parametrize("read", [BOUNDS, (-26.4, -1.5, -36.0), (0.0, 0.0, 0.0), (26.4, 1.5)])
    def test_on_a_bound_is_inside(self, read: tuple[float, ...]) -> None:
        """What is no further from zero than its bound, either way, is inside."""
        assert beyond(read, BOUNDS) is None

    @pytest.mark.parametrize("place", range(3))
    @pytest.mark.parametrize("factor", [1.0 + 1e-9, -1.0 - 1e-9, math.inf, math.nan])
    def test_further_is_outside_and_so_is_what_is_no_number(
        self, place: int, factor: float
    ) -> None:
        """Each quantity is held against its own bound, and no number is never inside."""
        read = tuple(
            bound * factor if number == place else 0.0 for number, bound in enumerate(BOUNDS)
        )
        found = beyond(read, BOUNDS)

        assert found is not None
        assert found[0] is list(TripReason)[place]

    def test_the_first_that_is_outside_is_told(self) -> None:
        """What was read, by what, and what its bound is: of several the voltage first."""
        found = beyond((27.0, 2.0), BOUNDS[:2], by=" by the power meter", whose="its envelope")

        assert found == (
            TripReason.OVER_VOLTAGE,
            "27 V read by the power meter, 26.4 V is its envelope",
        )
