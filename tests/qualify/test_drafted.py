"""Drafts from random nameplates: a healthy unit is not stopped, or the plan said so beforehand.

What is drawn, from what and by which seed, is in ``tests/qualify/drafted.py``; the result of the
whole campaign is in ``docs/qualify.md``. The units are those of ``softwake qualify``, none of
them gentler.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.qualify.drafted import (
    BULK_TIMES,
    IDLE_FRAC,
    MOST_A,
    POWER_FACTOR,
    POWER_W,
    Figures,
    carry_out,
    figures,
    nameplate,
)

#: Healthy units stopped without a warning, at most, at the upper 95 % bound.
MOST_UNFORESEEN = 0.01
#: Nameplates warned of though no unit was stopped, at most.
MOST_NEEDLESS = 0.10


class TestNameplates:
    def test_they_span_what_is_asked_for(self) -> None:
        """Power, idle power and capacitance reach to both ends of their ranges, DC and AC."""
        plates = [nameplate(number)[0] for number in range(300)]
        watts = [
            plate.nominal_v * plate.current_a * (POWER_FACTOR if plate.kind == "ac" else 1.0)
            for plate in plates
        ]
        idle = [plate.idle_power_w / w for plate, w in zip(plates, watts, strict=True)]  # type: ignore[operator]

        for values, (low, high) in ((watts, POWER_W), (idle, IDLE_FRAC)):
            assert low <= min(values) < 1.3 * low
            assert 0.75 * high < max(values) <= high * (1 + 1e-9)
        assert BULK_TIMES == (0.2, 5.0)
        assert {plate.kind for plate in plates} == {"dc", "ac"}
        assert max(plate.current_a for plate in plates) <= MOST_A


def test_a_few_drafts_stop_no_healthy_unit() -> None:
    """Of the first dozen nameplates, units that no plan warned of all go through to the end."""
    result = figures(list(carry_out(range(12), units=2)))

    assert result.stopped.total == 24
    assert result.unforeseen.count == 0, result.text
    assert np.isfinite(result.needless.frac)


@pytest.mark.torture
@pytest.mark.parametrize("seed", [1, 2])
def test_three_hundred_drafts_stop_hardly_a_healthy_unit(seed: int) -> None:
    """300 nameplates with 20 healthy units each: stopped unwarned at most 1 % at the upper bound.

    And a plan that warns of everything would be no good: few nameplates are warned of needlessly.
    """
    result: Figures = figures(list(carry_out(range(300), units=20, seed=seed, workers=2)))

    assert result.stopped.total == 6000
    assert result.unforeseen.high_frac <= MOST_UNFORESEEN, result.text
    assert result.needless.frac <= MOST_NEEDLESS, result.text
