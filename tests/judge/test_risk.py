"""Risks over many units."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.risk import process_risk


def test_a_fine_instrument_errs_in_proportion_to_its_uncertainty() -> None:
    """With an uncertainty far below the spread, each risk nears density times u over root 2 pi."""
    # Textbook limit: the density at a limit times the mean overshoot u / sqrt(2 pi), at two limits.
    u = 1e-4
    density = math.exp(-2.0) / math.sqrt(2 * math.pi)
    expected = 2 * density * u / math.sqrt(2 * math.pi)

    found = process_risk(mean=0.0, spread=1.0, standard_uncertainty=u, low=-2.0, high=2.0)

    assert found.false_accept == pytest.approx(expected, rel=1e-3)
    assert found.false_reject == pytest.approx(expected, rel=1e-3)


def test_one_limit_is_half_of_two() -> None:
    """A lower and an upper limit, alike about the mean, share the risk of both."""
    both = process_risk(mean=5.0, spread=1.0, standard_uncertainty=0.2, low=3.0, high=7.0)
    upper = process_risk(mean=5.0, spread=1.0, standard_uncertainty=0.2, high=7.0)
    lower = process_risk(mean=5.0, spread=1.0, standard_uncertainty=0.2, low=3.0)

    assert upper.false_accept == pytest.approx(lower.false_accept)
    assert upper.false_accept + lower.false_accept == pytest.approx(both.false_accept)


def test_a_guard_band_that_leaves_nothing_accepts_nothing() -> None:
    """With a guard band wider than half the limits, no unit is accepted, so none is wrongly so."""
    found = process_risk(
        mean=0.0, spread=1.0, standard_uncertainty=0.1, low=-1.0, high=1.0, guard=1.5
    )

    assert found.accepted == 0.0
    assert found.false_accept == 0.0
    assert math.isnan(found.false_among_accepted)


@given(
    mean=st.floats(-3, 3),
    spread=st.floats(0.1, 5),
    u=st.floats(0.01, 3),
    guard=st.floats(0, 1),
    wider=st.floats(0.01, 0.5),
)
def test_a_wider_guard_band_trades_one_risk_for_the_other(
    mean: float, spread: float, u: float, guard: float, wider: float
) -> None:
    """Shares add up to one whatever the figures; a wider band accepts less and rejects more."""
    narrow = process_risk(
        mean=mean, spread=spread, standard_uncertainty=u, low=-2.0, high=2.0, guard=guard
    )
    wide = process_risk(
        mean=mean, spread=spread, standard_uncertainty=u, low=-2.0, high=2.0, guard=guard + wider
    )

    conforming = narrow.accepted - narrow.false_accept + narrow.false_reject
    assert conforming + narrow.nonconforming == pytest.approx(1.0, abs=1e-9)
    assert wide.false_accept <= narrow.false_accept + 1e-12
    assert wide.false_reject >= narrow.false_reject - 1e-12


@pytest.mark.parametrize(
    "wrong",
    [
        {"low": None, "high": None},
        {"spread": 0.0},
        {"standard_uncertainty": 0.0},
        {"spread": math.nan},
    ],
)
def test_what_has_no_answer_is_refused(wrong: dict[str, float | None]) -> None:
    """A risk without a limit, a spread or an uncertainty is an error."""
    given_figures: dict[str, float | None] = {
        "mean": 0.0,
        "spread": 1.0,
        "standard_uncertainty": 0.1,
        "high": 2.0,
    }
    with pytest.raises(ValueError, match=r"limit|spread"):
        process_risk(**{**given_figures, **wrong})  # type: ignore[arg-type]
