from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.rehearse.circuit.changes import FuseHeat
from harness.rehearse.unit_parts import Fuse

RATINGS = st.sampled_from([0.2, 0.5, 1.0, 2.0, 4.0, 6.3])


@given(rating_a=RATINGS, times=st.floats(1.6, 50.0), pieces=st.integers(1, 50))
def test_pieces_of_time_melt_like_one(rating_a: float, times: float, pieces: int) -> None:
    """Heat after many short spans is the heat after one long span at the same current."""
    fuse = Fuse.time_lag(rating_a, melting_i2t_a2s=15.0 * rating_a**2)
    square = (times * rating_a) ** 2
    whole, parts = FuseHeat(fuse), FuseHeat(fuse)
    whole.advance(0.01, square)
    for _ in range(pieces):
        parts.advance(0.01 / pieces, square)

    assert parts.heat_a2s == pytest.approx(whole.heat_a2s)


@given(rating_a=RATINGS, times=st.floats(0.0, 1.5))
def test_holds_below_its_non_fusing_current(rating_a: float, times: float) -> None:
    """A link never parts at a current it carries for ever."""
    assert (
        FuseHeat(Fuse.time_lag(rating_a, melting_i2t_a2s=15.0 * rating_a**2)).time_left_s(
            times * rating_a
        )
        == math.inf
    )


@given(rating_a=RATINGS, times=st.floats(1.6, 50.0))
def test_parts_at_the_predicted_time(rating_a: float, times: float) -> None:
    """The time left foretells when heating at that current opens the link."""
    heat = FuseHeat(Fuse.time_lag(rating_a, melting_i2t_a2s=15.0 * rating_a**2))
    current_a = times * rating_a
    time_s = heat.time_left_s(current_a)

    assert not heat.advance(0.99 * time_s, current_a**2)
    assert heat.advance(0.02 * time_s, current_a**2)
    assert heat.is_open
    assert heat.time_left_s(current_a) == math.inf


def test_cools_without_current() -> None:
    """A link without current loses its heat with its time constant."""
    fuse = Fuse.time_lag(1.0, melting_i2t_a2s=15.0)
    heat = FuseHeat(fuse)
    heat.advance(1.0, 4.0)
    before = heat.heat_a2s
    heat.advance(fuse.heat_time_s, 0.0)

    assert heat.heat_a2s == pytest.approx(before / math.e)
