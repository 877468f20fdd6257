"""Decision rules: edges by table, laws by search."""

from __future__ import annotations

import math
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.uncertainty import coverage_factor
from harness.judge.verdict import (
    Decision,
    Verdict,
    decide,
    overall,
    probability_of_conformity,
)

PASS, FAIL, UNDECIDED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED
RANK = {FAIL: 0, UNDECIDED: 1, PASS: 2}
Rule = Literal["guarded", "simple"]

numbers = st.floats(-1e6, 1e6, allow_nan=False)
widths = st.floats(0.0, 1e5, allow_nan=False)
rules: st.SearchStrategy[Rule] = st.sampled_from(["guarded", "simple"])


@st.composite
def limits(draw: st.DrawFn) -> tuple[float | None, float | None]:
    """A lower limit, an upper limit, or both in order."""
    low, high = sorted((draw(numbers), draw(numbers)))
    return draw(st.sampled_from([(low, high), (low, None), (None, high)]))


@pytest.mark.parametrize(
    ("value", "low", "high", "expanded", "rule", "verdict", "margin"),
    [
        (5.00, 4.90, 5.10, 0.02, "guarded", PASS, 0.08),
        (5.08, 4.90, 5.10, 0.02, "guarded", PASS, 0.0),  # 5.10 - 0.02 is not 5.08 in binary
        (4.92, 4.90, 5.10, 0.02, "guarded", PASS, 0.0),
        (5.09, 4.90, 5.10, 0.02, "guarded", UNDECIDED, -0.01),
        (5.12, 4.90, 5.10, 0.02, "guarded", UNDECIDED, -0.04),  # outside by U and no more
        (5.13, 4.90, 5.10, 0.02, "guarded", FAIL, -0.05),
        (4.88, 4.90, 5.10, 0.02, "guarded", UNDECIDED, -0.04),
        (4.87, 4.90, 5.10, 0.02, "guarded", FAIL, -0.05),
        (5.10, 4.90, 5.10, 0.02, "simple", PASS, 0.0),
        (5.11, 4.90, 5.10, 0.02, "simple", FAIL, -0.01),
        (0.1 + 0.2, None, 0.3, 0.0, "simple", PASS, 0.0),  # one rounding error above 0.3
        (0.0, 0.0, None, 0.0, "guarded", PASS, 0.0),
        (-5e-324, 0.0, None, 0.0, "simple", FAIL, -5e-324),
        (-12.54, -12.60, None, 0.06, "guarded", PASS, 0.0),
        (1e-9, None, 3e-9, 1e-9, "guarded", PASS, 1e-9),
    ],
)
def test_rule_at_edges(
    value: float,
    low: float | None,
    high: float | None,
    expanded: float,
    rule: Rule,
    verdict: Verdict,
    margin: float,
) -> None:
    """Limits belong to the acceptance interval, and a rounding error does not decide."""
    decision = decide(value, low=low, high=high, expanded=expanded, rule=rule)
    assert decision.verdict is verdict
    assert decision.margin == pytest.approx(margin, abs=1e-12)
    assert (decision.margin >= 0) == (verdict is PASS)


def test_rounding_is_forgiven_only_as_such() -> None:
    """A value past the acceptance limit by a billionth of it is not accepted."""
    decision = decide(12.540 * (1 + 1e-9), low=None, high=12.600, expanded=0.060, rule="guarded")
    assert decision.verdict is UNDECIDED


@pytest.mark.parametrize("value", [4.90, 4.95, 5.00, 5.05, 5.10])
def test_guard_band_wider_than_half_the_interval_never_passes(value: float) -> None:
    """With U above half the distance of the limits no value passes, the middle one included."""
    decision = decide(value, low=4.90, high=5.10, expanded=0.11, rule="guarded")
    assert decision.verdict is UNDECIDED
    assert decision.margin < 0


@pytest.mark.parametrize("rule", ["guarded", "simple"])
@pytest.mark.parametrize(
    ("value", "expanded"),
    [
        (math.nan, 0.0),
        (math.inf, 0.0),
        (-math.inf, 0.0),
        (5.0, math.nan),
        (5.0, math.inf),
        (99.0, math.inf),
    ],
)
def test_what_is_not_finite_proves_nothing(value: float, expanded: float, rule: Rule) -> None:
    """Neither a value nor an uncertainty that is no number leads to a verdict."""
    decision = decide(value, low=4.9, high=5.1, expanded=expanded, rule=rule)
    assert decision.verdict is UNDECIDED
    assert math.isnan(decision.margin)


@pytest.mark.parametrize(
    ("low", "high", "expanded", "rule", "says"),
    [
        (None, None, 0.0, "guarded", "lower limit, an upper limit"),
        (2.0, 1.0, 0.0, "guarded", "above the upper limit"),
        (math.nan, 1.0, 0.0, "guarded", "finite"),
        (None, math.inf, 0.0, "guarded", "finite"),
        (0.0, 1.0, -0.1, "guarded", "negative"),
        (0.0, 1.0, 0.1, "lenient", "unknown decision rule"),
    ],
)
def test_limits_without_sense_are_refused(
    low: float | None, high: float | None, expanded: float, rule: Rule, says: str
) -> None:
    """Limits that cannot be meant raise instead of leading to a verdict."""
    with pytest.raises(ValueError, match=says):
        decide(0.5, low=low, high=high, expanded=expanded, rule=rule)


@given(value=numbers, bounds=limits(), expanded=widths, rule=rules, step=widths)
def test_moving_outward_never_improves(
    value: float,
    bounds: tuple[float | None, float | None],
    expanded: float,
    rule: Rule,
    step: float,
) -> None:
    """The verdict never improves when a value moves away from the middle of its limits."""
    low, high = bounds
    inner = low if high is None else high if low is None else (low + high) / 2
    assert inner is not None
    upward = high is not None and (low is None or value >= inner)
    further = value + step if upward else value - step
    before = decide(value, low=low, high=high, expanded=expanded, rule=rule)
    after = decide(further, low=low, high=high, expanded=expanded, rule=rule)
    assert RANK[after.verdict] <= RANK[before.verdict]
    assert after.margin <= before.margin + 1e-9


@given(value=numbers, bounds=limits(), expanded=widths, more=widths)
def test_greater_uncertainty_never_accepts(
    value: float, bounds: tuple[float | None, float | None], expanded: float, more: float
) -> None:
    """A greater uncertainty makes neither a pass out of anything nor a fail out of a non-fail."""
    low, high = bounds
    before = decide(value, low=low, high=high, expanded=expanded, rule="guarded").verdict
    after = decide(value, low=low, high=high, expanded=expanded + more, rule="guarded").verdict
    assert after in (before, UNDECIDED)


@given(value=numbers, bounds=limits(), expanded=widths)
def test_guarded_pass_implies_simple_pass(
    value: float, bounds: tuple[float | None, float | None], expanded: float
) -> None:
    """What passes with a guard band passes without, and what fails with one fails without."""
    low, high = bounds
    guarded = decide(value, low=low, high=high, expanded=expanded, rule="guarded").verdict
    simple = decide(value, low=low, high=high, expanded=expanded, rule="simple").verdict
    assert simple is not UNDECIDED
    assert guarded in (simple, UNDECIDED)


@given(value=numbers, bounds=limits(), expanded=widths, rule=rules)
def test_margin_has_the_sign_of_acceptance(
    value: float, bounds: tuple[float | None, float | None], expanded: float, rule: Rule
) -> None:
    """The margin is negative exactly where the value is not accepted."""
    low, high = bounds
    decision = decide(value, low=low, high=high, expanded=expanded, rule=rule)
    assert (decision.margin >= 0) == (decision.verdict is PASS)


def test_a_rounding_error_beyond_the_guard_band_is_no_failure() -> None:
    """High limit -1, U = 1: a failure lies above 0 by more than a share of 1e-12 of them."""
    for value, verdict in ((1e-12, UNDECIDED), (1.1e-12, FAIL)):
        found = decide(value, low=None, high=-1.0, expanded=1.0, rule="guarded")
        assert found.verdict is verdict


@pytest.mark.parametrize(
    ("verdicts", "sum_of_them"),
    [
        ([], UNDECIDED),
        ([PASS], PASS),
        ([PASS, UNDECIDED], UNDECIDED),
        ([PASS, UNDECIDED, FAIL], FAIL),
        ([FAIL, PASS], FAIL),
    ],
)
def test_overall_is_the_worst(verdicts: list[Verdict], sum_of_them: Verdict) -> None:
    """Fail outweighs undecided, undecided outweighs pass, and no check proves nothing."""
    assert overall(iter(verdicts)) is sum_of_them


@given(st.lists(st.sampled_from(list(Verdict)), min_size=1), st.sampled_from(list(Verdict)))
def test_one_more_check_never_improves(verdicts: list[Verdict], another: Verdict) -> None:
    """One more verdict never makes the sum of at least one better."""
    assert RANK[overall([*verdicts, another])] <= RANK[overall(verdicts)]


def test_verdict_reads_as_its_word() -> None:
    """A verdict written to a file is its plain word."""
    assert [str(verdict) for verdict in Verdict] == ["pass", "fail", "undecided"]


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "probability"),
    [
        (5.0, 0.0, 4.9, 5.1, 1.0),
        (5.1, 0.0, 4.9, 5.1, 1.0),
        (5.2, 0.0, 4.9, 5.1, 0.0),
        (4.9, 0.0, 4.9, 5.1, 1.0),
        (4.8, 0.0, 4.9, 5.1, 0.0),
        (4.8, 0.0, None, 5.1, 1.0),
        (5.2, 0.0, 4.9, None, 1.0),
        (5.1, 1e-3, None, 5.1, 0.5),
        (5.1, 1e-3, 5.1, None, 0.5),
        (5.0, 1e3, 4.9, 5.1, 0.2 / (1e3 * math.sqrt(2 * math.pi))),
    ],
)
def test_probability_at_edges(
    value: float, u: float, low: float | None, high: float | None, probability: float
) -> None:
    """On a limit the odds are even, without uncertainty they are certain."""
    found = probability_of_conformity(value, low=low, high=high, standard_uncertainty=u)
    assert found == pytest.approx(probability, rel=1e-6)


@given(z=st.floats(1.0, 30.0), width=st.floats(0.1, 5.0))
def test_probability_is_the_same_in_both_tails(z: float, width: float) -> None:
    """An interval far above the value is as improbable as its mirror image, to all digits."""
    above = probability_of_conformity(0.0, low=z, high=z + width, standard_uncertainty=1.0)
    below = probability_of_conformity(0.0, low=-z - width, high=-z, standard_uncertainty=1.0)
    assert 0.0 < above == pytest.approx(below, rel=1e-12)


def test_a_check_without_a_limit_is_refused_in_a_sentence() -> None:
    """The words a person reads."""
    with pytest.raises(ValueError) as raised:  # noqa: PT011 - its text is what is looked at
        decide(1.0, low=None, high=None, expanded=0.0, rule="simple")
    assert str(raised.value) == "a check needs a lower limit, an upper limit, or both"


def test_probability_keeps_its_digits_just_outside_of_the_limits() -> None:
    """Half a standard uncertainty below the interval: the difference of two upper tails.

    Source: the complementary error function of Python's math library.
    """
    found = probability_of_conformity(0.0, low=0.5, high=40.0, standard_uncertainty=1.0)
    assert found == pytest.approx(0.5 * math.erfc(0.5 / math.sqrt(2.0)), rel=1e-14)


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1.0), (5.0, math.nan), (5.0, math.inf)])
def test_probability_of_no_number_is_no_number(value: float, u: float) -> None:
    """Where value or uncertainty is no number, there is no probability."""
    assert math.isnan(probability_of_conformity(value, low=0, high=9, standard_uncertainty=u))


def test_probability_refuses_a_negative_uncertainty() -> None:
    """A negative standard uncertainty raises."""
    with pytest.raises(ValueError, match="negative"):
        probability_of_conformity(5.0, low=0.0, high=9.0, standard_uncertainty=-1.0)


def test_decision_is_a_value() -> None:
    """Two decisions with the same content are equal and cannot be changed."""
    decision = Decision(verdict=PASS, margin=1.0)
    assert decision == Decision(verdict=PASS, margin=1.0)
    with pytest.raises(AttributeError):
        decision.margin = 2.0  # type: ignore[misc]


@pytest.mark.parametrize("dof", [1, 2, 5, 30, 1000, math.inf])
def test_a_value_on_the_acceptance_limit_has_the_rule_s_risk(dof: float) -> None:
    """However few the readings, 2.5 % lie beyond the limit where the guarded rule just accepts."""
    k = coverage_factor(dof)
    found = probability_of_conformity(
        12.6 - k * 0.03, low=None, high=12.6, standard_uncertainty=0.03, dof=dof
    )
    assert found == pytest.approx(0.975, abs=1e-9)


@pytest.mark.parametrize("dof", [0.0, 0.9, math.nan])
def test_without_a_degree_of_freedom_nothing_is_said(dof: float) -> None:
    """An uncertainty with no degree of freedom gives no probability."""
    found = probability_of_conformity(5.0, low=4.0, high=6.0, standard_uncertainty=0.1, dof=dof)
    assert math.isnan(found)
