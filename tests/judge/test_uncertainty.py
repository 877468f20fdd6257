"""Contributions, their combination, and coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.uncertainty import (
    Contribution,
    combine,
    coverage_factor,
    effective_dof,
    effective_number,
    rectangular,
    scatter,
)
from harness.judge.verdict import Verdict, decide


def test_no_contribution_gives_zero() -> None:
    """Nothing combined is an uncertainty of zero, not an error."""
    uncertainty = combine([])
    assert (uncertainty.standard, uncertainty.expanded) == (0.0, 0.0)
    assert math.isinf(uncertainty.dof)


def test_sensitivity_scales_a_contribution() -> None:
    """A contribution enters with the size of its sensitivity, whatever its sign."""
    parts = [
        Contribution(name="a", standard=3.0, sensitivity=-1.0),
        Contribution(name="b", standard=2.0, sensitivity=2.0),
    ]
    assert combine(parts).standard == pytest.approx(5.0)
    assert combine(parts).contributions == tuple(parts)


@pytest.mark.parametrize("count", [1, 2, 3, 5, 7])
@pytest.mark.parametrize("dof", [1, 2, 9, 49, 1000])
def test_equal_contributions_add_their_degrees_of_freedom(dof: int, count: int) -> None:
    """The cut to a whole number never turns nine into eight by a rounding error."""
    for standard in (0.1, 0.3, 1e-7, 7e9):
        parts = [Contribution(name="a", standard=standard, dof=dof)] * count
        assert combine(parts).dof == count * dof


@pytest.mark.parametrize("dof", [0.0, 1.0])
def test_contribution_of_zero_changes_nothing(dof: float) -> None:
    """A contribution of zero does not count, however few its degrees of freedom."""
    known = Contribution(name="a", standard=1.0, dof=10)
    assert combine([known, Contribution(name="b", standard=0.0, dof=dof)]).dof == 10


def test_tiny_and_huge_contributions_stay_in_range() -> None:
    """Fourth powers of nanovolts and gigaohms neither vanish nor overflow."""
    for standard in (1e-200, 1e200):
        parts = [Contribution(name=name, standard=standard, dof=5) for name in "ab"]
        assert effective_dof(parts) == pytest.approx(10.0)


def test_independent_scatter_is_the_standard_error() -> None:
    """Readings that alternate about their mean count in full."""
    samples = np.array([1.0, 3.0, 1.0, 3.0, 1.0, 3.0])
    found = scatter("reading", samples)
    assert found.standard == pytest.approx(math.sqrt(6 / 5) / math.sqrt(6))
    assert found.dof == 5


def test_correlated_readings_count_less() -> None:
    """Ten readings whose neighbours agree (r = 2/3) are worth fewer than two: they count as two."""
    samples = 5.0 + np.array([1, 1, 1, 0, 0, 0, 0, -1, -1, -1])  # products 4, squares 6
    found = scatter("reading", samples)
    assert found.dof == 1.0
    assert found.standard == pytest.approx(math.sqrt(6 / 10))


def test_weak_correlation_is_put_right_for_the_mean() -> None:
    """The mean takes some of it along: r = 3/16 in 16 readings is (3 + 1) / 13 without it."""
    # As many 1 as -1: the products of neighbours sum up to 3, the squares to 16.
    deviations = np.array([1.0 if sign == "+" else -1.0 for sign in "++---++++---+--+"])
    assert effective_number(deviations, 1) == pytest.approx(16 * (9 / 13) / (17 / 13))


def test_the_least_correlation_counts() -> None:
    """Where neighbours agree by a little, (1 + 1) / 37, forty readings are worth 36."""
    signs = "++++--+----++-+-+---++--++---++++-+-++--"
    deviations = np.array([1.0 if sign == "+" else -1.0 for sign in signs])
    assert effective_number(deviations, 1) == pytest.approx(40 * 35 / 39)


def test_three_readings_tell_no_correlation_and_four_do() -> None:
    """Of three readings less their mean nothing is left to put r right by."""
    assert effective_number(np.array([1.0, 1.0, -2.0]), 1) == 3.0
    assert effective_number(np.array([1.0, 1.0, -1.0, -1.0]), 1) == 2.0


def test_slow_readings_keep_two_independent_values() -> None:
    """However slow the trend, two values count as independent, with one degree of freedom."""
    found = scatter("reading", np.linspace(0.0, 1.0, 200))
    assert found.dof == 1.0
    assert found.standard == pytest.approx(np.std(np.linspace(0, 1, 200)))


def autoregressive(n: int, rounds: int, r: float, seed: int) -> np.ndarray:
    """Series of n readings, each r times the one before it plus noise; shape (rounds, n)."""
    noise = np.random.default_rng(seed).normal(size=(rounds, n + 200))
    for step in range(1, noise.shape[1]):
        noise[:, step] += r * noise[:, step - 1]
    return noise[:, 200:]


def covered(series: np.ndarray) -> float:
    """Share of the series whose interval of 95 % holds the true mean, zero."""
    held = [abs(one.mean()) <= combine([scatter("reading", one)]).expanded for one in series]
    return sum(held) / len(held)


@pytest.mark.parametrize(
    ("n", "r", "least"),
    [(20, 0.0, 0.93), (20, 0.6, 0.89), (50, 0.6, 0.92), (200, 0.6, 0.93), (200, 0.9, 0.91)],
)
def test_scatter_covers_correlated_noise(n: int, r: float, least: float) -> None:
    """On autoregressive noise the interval holds the true mean nearly as often as it says."""
    series = autoregressive(n, 500, r, seed=20)
    full = coverage_factor(n - 1) * series.std(axis=1, ddof=1) / math.sqrt(n)
    in_full = float((np.abs(series.mean(axis=1)) <= full).mean())

    assert least < covered(series) < 0.985
    assert r == 0.0 or in_full < 0.76  # if all of them counted


def test_scatter_sees_slow_noise_beneath_fast() -> None:
    """Noise that wanders slowly beneath noise from reading to reading shows in no neighbours."""
    slow = autoregressive(400, 300, 0.95, seed=4) * math.sqrt(1 - 0.95**2)
    series = slow + np.random.default_rng(5).normal(size=slow.shape)
    worth = []
    for one in series:
        deviations = one - one.mean()
        r = float(deviations[:-1] @ deviations[1:]) / float(deviations @ deviations)
        n = 400 * (1 - r) / (1 + r)
        worth.append(abs(one.mean()) <= coverage_factor(n - 1) * one.std(ddof=1) / math.sqrt(n))

    assert sum(worth) / len(worth) < 0.6  # by the neighbours alone
    assert covered(series) > 0.80


@pytest.mark.parametrize("r", [0.3, 0.6, 0.9])
def test_effective_number_is_that_of_theory(r: float) -> None:
    """A long autoregressive series is worth n (1 - r) / (1 + r) readings (textbook)."""
    found = [effective_number(one - one.mean(), 1) for one in autoregressive(8000, 20, r, seed=7)]
    assert np.median(found) / 8000 == pytest.approx((1 - r) / (1 + r), rel=0.08)


def test_squared_uncertainty_is_the_variance_of_the_mean() -> None:
    """Over many series the mean of u^2 is what the means vary by (JCGM 100:2008, 4.2.3)."""
    series = autoregressive(400, 500, 0.6, seed=11)
    squares = [scatter("reading", one).standard ** 2 for one in series]
    assert np.mean(squares) == pytest.approx(float(series.mean(axis=1).var()), rel=0.15)


def test_scatter_of_constant_readings_is_zero() -> None:
    """Readings that never differ show no scatter."""
    found = scatter("reading", np.full(5, 3.3))
    assert found.standard == 0.0


def test_scatter_of_single_precision_is_worked_out_in_double() -> None:
    """Readings that come in 32 bits lose no digit on the way to their scatter."""
    readings = np.array([0.1, 2.3, 300.7], dtype=np.float32)

    found = scatter("reading", readings).standard  # type: ignore[arg-type]

    assert found == pytest.approx(scatter("reading", readings.astype(float)).standard, rel=1e-12)


def test_a_cause_without_a_degree_of_freedom_leaves_none() -> None:
    """What an unknown scatter goes into has no degree of freedom either."""
    known = rectangular("meter", 0.1)
    assert effective_dof([known, Contribution(name="scatter", standard=0.2, dof=0.0)]) == 0.0


def test_a_standard_uncertainty_of_one_is_expanded_like_any() -> None:
    """One unit of standard uncertainty, normally distributed: k is 1.96."""
    assert combine([Contribution(name="meter", standard=1.0)]).expanded == pytest.approx(
        1.959963984540054
    )


def test_causes_go_by_the_name_they_were_given() -> None:
    """Name, unit and distribution stand in the budget; a bound of zero is one, too."""
    bound, noise = rectangular("meter", 0.0), scatter("5 V rail", np.array([1.0, 3.0]))

    assert (bound.name, bound.standard, bound.unit) == ("meter", 0.0, "")
    assert (noise.name, noise.unit, noise.distribution) == ("5 V rail", "", "t")


def test_two_readings_have_one_degree_of_freedom() -> None:
    """Two readings are the fewest that tell their scatter."""
    found = scatter("reading", np.array([1.0, 3.0]))
    assert (found.standard, found.dof) == (pytest.approx(1.0), 1.0)


def test_readings_of_a_narrow_type_are_computed_in_double_precision() -> None:
    """Half-precision readings lose no scatter to a mean, 1000.67, that half precision has not."""
    found = scatter("reading", np.array([1000, 1001, 1001] * 5, dtype=np.float16))
    assert found.standard == pytest.approx(math.sqrt(15 * 2 / 9 / 14 / 15), rel=1e-12)


def test_a_gap_leaves_no_degree_of_freedom() -> None:
    """A series with a reading that is no number says nothing, and a budget names no unit."""
    found = scatter("reading", np.array([1.0, math.nan, 1.1]))
    assert math.isnan(found.standard)
    assert found.dof == 0.0
    assert found.unit == ""


def test_one_reading_has_no_known_scatter() -> None:
    """One reading invents neither scatter nor degrees of freedom: the check stays undecided."""
    found = scatter("reading", np.array([5.0]))
    assert (found.standard, found.dof) == (math.inf, 0.0)
    expanded = combine([found, rectangular("meter", 0.01)]).expanded
    decision = decide(5.0, low=0.0, high=10.0, expanded=expanded, rule="guarded")
    assert decision.verdict is Verdict.UNDECIDED


def test_single_reading_by_intent_leans_on_the_accuracy() -> None:
    """A reading that is meant to stand alone has the stated accuracy and no more."""
    found = scatter("reading", np.array([5.0]), single_reading=True)
    assert combine([found, rectangular("meter", math.sqrt(3.0))]).standard == pytest.approx(1.0)


@pytest.mark.parametrize("samples", [[], [math.nan], [1.0, math.nan, 1.1], [1.0, math.inf]])
@pytest.mark.parametrize("single_reading", [True, False])
def test_missing_readings_never_pass(samples: list[float], single_reading: bool) -> None:
    """A gap among the readings leaves the check undecided."""
    found = scatter("reading", np.array(samples), single_reading=single_reading)
    expanded = combine([found]).expanded
    assert not math.isfinite(expanded)
    decision = decide(1.0, low=0.0, high=2.0, expanded=expanded, rule="guarded")
    assert decision.verdict is Verdict.UNDECIDED


def test_negative_bound_is_refused() -> None:
    """A negative accuracy bound raises and names the cause."""
    with pytest.raises(ValueError, match="meter accuracy"):
        rectangular("meter accuracy", -0.1)


@pytest.mark.parametrize(
    ("dof", "factor"), [(0.0, math.inf), (0.99, math.inf), (1.0, 12.7062), (math.inf, 1.959964)]
)
def test_coverage_at_the_ends(dof: float, factor: float) -> None:
    """Below one degree of freedom nothing is covered; with infinitely many it is the normal's."""
    assert coverage_factor(dof) == pytest.approx(factor, rel=1e-6)


def test_coverage_cuts_degrees_of_freedom() -> None:
    """Degrees of freedom that are not whole count as the next lower whole number."""
    assert coverage_factor(16.75, 0.99) == coverage_factor(16.0, 0.99)
    assert coverage_factor(16.75, 0.99) > coverage_factor(17.0, 0.99)


@pytest.mark.parametrize("probability", [0.0, 1.0, -0.5, 95.0, math.nan])
def test_coverage_probability_is_a_fraction(probability: float) -> None:
    """A coverage probability of 95 instead of 0.95 raises."""
    with pytest.raises(ValueError, match="between 0 and 1"):
        coverage_factor(10.0, probability)


@given(
    st.lists(
        st.tuples(st.floats(1e-6, 1e6), st.integers(1, 200)).map(
            lambda pair: Contribution(name="x", standard=pair[0], dof=pair[1])
        ),
        min_size=1,
        max_size=6,
    )
)
def test_combination_lies_between_its_parts(parts: list[Contribution]) -> None:
    """The sum is no smaller than its largest part, and its dof lie between least and sum."""
    total = combine(parts)
    dofs = [part.dof for part in parts]
    largest = max(part.standard for part in parts)
    assert (
        largest * (1 - 1e-12)
        <= total.standard
        <= sum(part.standard for part in parts) * (1 + 1e-12)
    )
    assert min(dofs) <= total.dof <= sum(dofs)
    assert total.expanded == total.coverage * total.standard
    assert total.coverage >= coverage_factor(math.inf)


def test_a_budget_names_units_and_distributions() -> None:
    """A bound is rectangular, scatter follows Student's t, and both keep the unit they are in."""
    bound = rectangular("meter resolution", 0.00005, unit="V")
    spread = scatter("scatter", np.array([5.0, 5.1, 4.9]), unit="V")

    assert (bound.unit, bound.distribution) == ("V", "rectangular")
    assert (spread.unit, spread.distribution) == ("V", "t")
