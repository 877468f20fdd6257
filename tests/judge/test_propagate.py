"""Uncertainty of computed figures."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.propagate import (
    Estimate,
    quotient,
    regulation,
    rise,
)
from harness.judge.uncertainty import Contribution, combine, coverage_factor
from harness.judge.verdict import Verdict, decide


def estimate(value: float, standard: float, name: str, dof: float = math.inf) -> Estimate:
    """One value with one cause."""
    cause = Contribution(name=name, standard=standard, dof=dof)
    return Estimate(value=value, contributions=(cause,))


def test_efficiency_adds_relative_uncertainties() -> None:
    """The relative uncertainty of a ratio is the root sum square of its parts' relative ones."""
    found = quotient(estimate(48.0, 0.24e-6, "load"), estimate(60.0, 0.60e-6, "supply"))
    assert found.value == pytest.approx(0.80)
    assert combine(found.contributions).standard / 0.80 == pytest.approx(math.hypot(5e-9, 1e-8))


def test_shared_gain_cancels_in_a_ratio() -> None:
    """A gain error both inputs share leaves their ratio alone."""
    out, taken = estimate(48.0, 0.48, "meter gain"), estimate(60.0, 0.60, "meter gain")
    assert combine(quotient(out, taken, shared={"meter gain"}).contributions).standard < 1e-15


def test_power_factor_of_the_trade() -> None:
    """20 W at 100 V and 0.35 A is a power factor of 0.571 (definition, textbook)."""
    found = quotient(
        estimate(20.0, 0.1e-6, "power"),
        estimate(100.0, 0.2e-6, "volts"),
        estimate(0.35, 0.001e-6, "amps"),
    )
    assert round(found.value, 3) == 0.571
    relative = 1e-6 * math.sqrt(0.005**2 + 0.002**2 + (0.001 / 0.35) ** 2)
    assert combine(found.contributions).standard == pytest.approx(found.value * relative)


@pytest.mark.parametrize(
    ("first_v", "second_v", "percent"), [(12.030, 11.940, 0.75), (12.012, 12.003, 0.075)]
)
def test_regulation_of_the_trade(first_v: float, second_v: float, percent: float) -> None:
    """Load and line regulation are the change over nominal voltage (common practice)."""
    found = regulation(Estimate(value=first_v), Estimate(value=second_v), 12.0)
    assert 100 * found.value == pytest.approx(percent)


def test_a_rise_is_the_second_less_the_first() -> None:
    """Independent uncertainties of both powers add in squares. Source: JCGM 100:2008, 5.1.2."""
    low, high = (
        Estimate(value=value, contributions=(Contribution(name=name, standard=0.3),))
        for value, name in ((2.0, "low"), (2.5, "high"))
    )
    found = rise(low, high)

    assert found.value == pytest.approx(0.5)
    assert combine(found.contributions).standard == pytest.approx(0.3 * math.sqrt(2.0))


def test_shared_offset_cancels_in_a_difference() -> None:
    """What the same meter adds to both voltages is no part of a regulation; scatter is."""
    offset = Contribution(name="meter offset", standard=0.010)
    first = Estimate(
        value=12.03, contributions=(offset, Contribution(name="scatter 1", standard=0.003, dof=7))
    )
    second = Estimate(
        value=11.94, contributions=(offset, Contribution(name="scatter 2", standard=0.004, dof=7))
    )
    alone = combine(regulation(first, second, 12.0).contributions)
    together = combine(regulation(first, second, 12.0, shared={"meter offset"}).contributions)
    assert together.standard == pytest.approx(0.005 / 12.0)
    assert alone.standard == pytest.approx(math.sqrt(2 * 0.010**2 + 0.005**2) / 12.0)
    assert together.dof == 12  # 7 (9 + 16)^2 / (81 + 256) = 12.98, cut


def test_shared_gain_goes_with_the_difference() -> None:
    """Of a shared gain error, only its part of the difference is left."""
    gain = {"name": "meter gain", "standard": 0.001}
    first = Estimate(value=12.03, contributions=(Contribution(**gain, sensitivity=12.03),))
    second = Estimate(value=11.94, contributions=(Contribution(**gain, sensitivity=11.94),))
    found = regulation(first, second, 12.0, shared={"meter gain"})
    assert combine(found.contributions).standard == pytest.approx(0.001 * 0.09 / 12.0)


def test_shared_bound_of_reading_plus_fixed() -> None:
    """A bound stated for each reading leaves the proportional part of the difference."""
    first, second = (estimate(v, 0.0002 * v + 0.002, "accuracy") for v in (12.03, 11.94))
    found = regulation(first, second, 12.0, shared={"accuracy"})
    assert combine(found.contributions).standard == pytest.approx(0.0002 * 0.09 / 12.0)


def test_cause_shared_by_three_keeps_its_signs() -> None:
    """Three inputs with one proportional error: P / (V I) keeps one part of it, not three."""
    found = quotient(
        estimate(20.0, 0.020e-6, "gain"),
        estimate(100.0, 0.100e-6, "gain"),
        estimate(0.35, 0.00035e-6, "gain"),
        shared={"gain"},
    )
    assert combine(found.contributions).standard == pytest.approx(found.value * 1e-9)
    assert len(found.contributions) == 1


def test_cause_shared_in_two_sizes_keeps_its_sign() -> None:
    """Errors in proportion to 10, 20 and 40 V make 10 - 20 - 40 V of it, with the fewest dof."""
    ten, twenty, forty = (
        estimate(volts, 0.001 * volts, "gain", dof)
        for volts, dof in ((10.0, 30.0), (20.0, 9.0), (40.0, 20.0))
    )
    difference = regulation(ten, twenty, 1.0, shared={"gain"})
    found = combine(regulation(difference, forty, 1.0, shared={"gain"}).contributions)
    assert found.standard == pytest.approx(0.001 * 50.0)
    assert found.dof == 9


@pytest.mark.parametrize(
    "found",
    [
        quotient(estimate(1.0, 0.1, "a"), estimate(0.0, 0.1, "b")),
        quotient(estimate(1.0, 0.1, "a"), estimate(0.0, 0.1, "b"), estimate(1.0, 0.1, "c")),
        quotient(estimate(1.0, 0.1, "a"), estimate(9.0, 0.1, "b"), estimate(0.0, 0.1, "c")),
        regulation(estimate(1.0, 0.1, "a"), estimate(0.0, 0.1, "b"), 0.0),
    ],
)
def test_division_by_zero_is_no_number(found: Estimate) -> None:
    """A figure that cannot be worked out is no number, so that it can never pass."""
    assert math.isnan(found.value)


@given(
    p=st.floats(1.0, 100.0),
    v=st.floats(10.0, 300.0),
    i=st.floats(0.1, 10.0),
    u=st.floats(1e-11, 1e-9),
)
def test_sensitivities_are_the_partial_derivatives(p: float, v: float, i: float, u: float) -> None:
    """Each sensitivity is what a small change of its input does to the result."""
    base = quotient(estimate(p, u, "p"), estimate(v, u, "v"), estimate(i, u, "i"))
    for position, cause in enumerate(base.contributions):
        step = 1e-6
        moved = [p, v, i]
        moved[position] *= 1 + step
        change = moved[0] / (moved[1] * moved[2]) - base.value
        width = (p, v, i)[position] * step
        assert cause.sensitivity == pytest.approx(change / width, rel=1e-4)


class TestQuotient:
    """A quotient whose denominator is not well known; its coverage: ``test_jcgm101.py``."""

    def test_of_a_bound_of_half_it_reaches_twice_as_high(self) -> None:
        """10 / (10 +- 5) lies between 0.67 and 2: U is what the longer side has, exactly.

        Source: interval arithmetic, 10 / 5 = 2 and 10 / 15 = 0.67.
        """
        u = 5.0 / coverage_factor(math.inf)
        found = combine(quotient(Estimate(value=10.0), estimate(10.0, u, "amps")).contributions)
        assert found.expanded == pytest.approx(1.0)

    @pytest.mark.parametrize("share", [0.51, 0.6, 5.0])
    def test_a_denominator_that_may_be_zero_gives_no_bound(self, share: float) -> None:
        """10 / (10 +- 10.2 and more) may be anything: undecided, with the words for it."""
        found = quotient(
            Estimate(value=10.0), estimate(10.0, share * 10.0 + 0.1, "amps"), called="input power"
        )
        expanded = combine(found.contributions).expanded

        assert found.contributions[-1].name == "input power: not known to differ from zero"
        assert not math.isfinite(expanded)
        decided = decide(found.value, low=0.1, high=None, expanded=expanded, rule="guarded")
        assert decided.verdict is Verdict.UNDECIDED

    @pytest.mark.parametrize("place", [0, 1])
    def test_each_factor_must_differ_from_zero(self, place: int) -> None:
        """Of a product below, each factor by itself must not be zero; and the product must not."""
        well, badly = estimate(100.0, 1e-6, "v"), estimate(0.3, 0.2, "a")
        factors = [badly, well] if place else [well, badly]
        found = quotient(estimate(20.0, 0.1, "w"), *factors)
        assert math.isinf(found.contributions[-1].standard)
        both = quotient(Estimate(value=1.0), estimate(1.0, 0.45, "v"), estimate(1.0, 0.45, "a"))
        assert math.isinf(both.contributions[-1].standard)

    def test_an_unknown_scatter_stays_unknown(self) -> None:
        """What is not finite already is handed on as it is."""
        found = quotient(estimate(20.0, math.inf, "w"), estimate(10.0, 1.0, "a"))
        assert [part.name for part in found.contributions] == ["w", "a"]

    def test_degrees_of_freedom_stay_what_they_are(self) -> None:
        """A longer side makes every cause count more, and none of them surer."""
        found = quotient(estimate(20.0, 2.0, "w", 4.0), estimate(10.0, 1.0, "a", 9.0))
        linear = [
            Contribution(name="w", standard=2.0, sensitivity=0.1, dof=4.0),
            Contribution(name="a", standard=1.0, sensitivity=-0.2, dof=9.0),
        ]
        assert combine(found.contributions).dof == combine(linear).dof
        ratios = {
            part.sensitivity / plain.sensitivity
            for part, plain in zip(found.contributions, linear, strict=True)
        }
        assert min(ratios) == pytest.approx(max(ratios))
        assert min(ratios) > 1.2

    def test_nothing_over_something(self) -> None:
        """No output power at all is an efficiency of zero, known as well as the power is."""
        found = quotient(estimate(0.0, 0.1, "w"), estimate(10.0, 1e-6, "a"))
        assert found.value == 0.0
        assert combine(found.contributions).standard == pytest.approx(0.01)

    def test_what_both_share_cancels_however_large(self) -> None:
        """A gain error of 20 % in numerator and denominator leaves their quotient alone."""
        out, taken = estimate(48.0, 9.6, "gain"), estimate(60.0, 12.0, "gain")
        assert combine(quotient(out, taken, shared={"gain"}).contributions).standard < 1e-6

    @pytest.mark.parametrize("factors", [1, 2, 3])
    def test_a_product_below_has_the_variance_of_a_product(self, factors: int) -> None:
        """One over n factors known to u each: s = k sqrt((1 + u^2)^n - 1), and U = s / (1 - s).

        Source: the variance of a product of independent figures (Goodman, 1960; from memory), and
        interval arithmetic: 1 / (1 - s) - 1.
        """
        below = [estimate(1.0, 0.2, f"factor {number}") for number in range(factors)]
        found = quotient(Estimate(value=1.0), *below)
        s = coverage_factor(math.inf) * math.sqrt((1.0 + 0.2**2) ** factors - 1.0)

        assert combine(found.contributions).expanded == pytest.approx(s / (1.0 - s))

    def test_what_both_share_is_taken_out_before_the_division(self) -> None:
        """N (1 + g) / (1 + g) with a large gain error g: hardly more than N's own uncertainty.

        Source: worked out by hand: (d D)^2 = k^2 (u^2 + g^2 d^2 D^2) for N = D = 1.
        """
        own, gain = Contribution(name="own", standard=0.1), Contribution(name="gain", standard=0.2)
        out = Estimate(value=1.0, contributions=(own, gain))
        taken = Estimate(value=1.0, contributions=(gain,))
        k = coverage_factor(math.inf)
        found = combine(quotient(out, taken, shared={"gain"}).contributions)

        assert found.expanded == pytest.approx(k * 0.1 / math.sqrt(1.0 - (k * 0.2) ** 2))
