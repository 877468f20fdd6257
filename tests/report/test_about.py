from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from harness.judge.uncertainty import Contribution, rectangular
from harness.record.sink import CheckRow
from harness.report.about import conformity, rating, share_text

MakeRow = Callable[..., CheckRow]


def test_a_passed_check_has_a_risk_of_false_acceptance(row: MakeRow) -> None:
    """The Zener diode of JCGM 106: P = 0.9192 within its limit, so 0.0808 is the risk."""
    # JCGM 106:2012, clause 7, example, from memory.
    budget = (Contribution(name="u", standard=0.05),)
    found = conformity(row(value=-5.47, low=None, high=-5.40, budget=budget))

    assert found is not None
    assert found.probability == pytest.approx(0.9192, abs=5e-5)
    assert found.false_accept == pytest.approx(0.0808, abs=5e-5)
    assert math.isnan(found.false_reject)


def test_a_failed_check_has_a_risk_of_false_rejection(row: MakeRow) -> None:
    """What is left of the probability within the limits is the risk that a failure was wrong."""
    budget = (Contribution(name="u", standard=0.03),)
    found = conformity(row(value=12.661, low=None, high=12.6, verdict="fail", budget=budget))

    assert found is not None
    assert found.false_reject == pytest.approx(0.021, abs=5e-4)
    assert math.isnan(found.false_accept)


@pytest.mark.parametrize(
    "changed",
    [
        {"budget": ()},
        {"value": math.nan},
        {"low": None, "high": None},
        {"low": 6.0, "high": 5.0},
    ],
)
def test_without_figures_nothing_is_said(row: MakeRow, changed: dict[str, object]) -> None:
    """A check without a budget, a value or possible limits has no such figures."""
    assert conformity(row(**{"budget": (rectangular("a", 0.1),), **changed})) is None


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "< 0.01 %"),
        (1.0, "> 99.99 %"),
        (0.5, "50.0 %"),
        (0.0042, "0.42 %"),
        (0.9919, "99.19 %"),
        (math.nan, "not known"),
    ],
)
def test_a_probability_is_no_certainty(share: float, text: str) -> None:
    """Nothing is shown as 0 % or 100 %."""
    assert share_text(share) == text


def test_a_range_of_an_output_is_told_by_its_ends() -> None:
    """An output that is a range, such as a charger's, says both ends and its kind."""
    side = {"kind": "charger", "range_v": [7.2, 18.0], "current_a": 2.0}

    assert rating(side) == "7.2 V to 18 V charger 2 A"
