"""Tolerance limits against published factors and sample sizes."""

from __future__ import annotations

import numpy as np
import pytest

from harness.qualify.bounds import (
    one_sided_factor,
    order_rank,
    two_sided_factor,
    units_for_rank,
)


class TestHandbookExample:
    """NIST/SEMATECH e-Handbook 7.2.6.3: 43 values, 90 % of the population, 99 % confidence."""

    def test_two_sided(self) -> None:
        """Howe's formula gives 2.217 there; the exact factor is the same within half a per cent.

        Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (from memory).
        """
        assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.217, rel=5e-3)

    def test_one_sided(self) -> None:
        """By the non-central t distribution the factor is 1.8740; the approximation gives 1.8752.

        Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (from memory).
        """
        assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=1e-4)


class TestTables:
    @pytest.mark.parametrize(
        ("units", "factor"),
        [(10, 2.911), (20, 2.396), (30, 2.220), (50, 2.065), (100, 1.927)],
    )
    def test_one_sided_95_95(self, units: int, factor: float) -> None:
        """One-sided factors for 95 % of the population at 95 % confidence.

        Source: ISO 16269-6, annex of one-sided factors, unknown mean and scatter (from memory).
        """
        assert one_sided_factor(units, 0.95, 0.95) == pytest.approx(factor, abs=1e-3)

    @pytest.mark.parametrize(
        ("units", "factor"),
        [(10, 3.379), (20, 2.752), (30, 2.549), (50, 2.379), (100, 2.233)],
    )
    def test_two_sided_95_95(self, units: int, factor: float) -> None:
        """Two-sided factors for 95 % of the population at 95 % confidence, within half a per cent.

        Source: tables of tolerance factors for the normal distribution by Wald and Wolfowitz's
        formula, textbook (from memory); it is that close to the exact ones of ISO 16269-6.
        """
        assert two_sided_factor(units, 0.95, 0.95) == pytest.approx(factor, rel=5e-3)

    @pytest.mark.parametrize(("units", "factor"), [(5, 5.077), (10, 3.393), (20, 2.760)])
    def test_exact_two_sided_95_95(self, units: int, factor: float) -> None:
        """Exact two-sided factors, which for small samples differ from every formula.

        Source: ISO 16269-6, annex of two-sided factors, unknown mean and scatter (from memory).
        """
        assert two_sided_factor(units, 0.95, 0.95) == pytest.approx(factor, abs=1e-3)

    @pytest.mark.parametrize(
        ("content", "confidence", "one_sided", "two_sided"),
        [(0.95, 0.95, 59, 93), (0.90, 0.95, 29, 46), (0.99, 0.95, 299, 473), (0.90, 0.90, 22, 38)],
    )
    def test_units_whose_extremes_are_limits(
        self, content: float, confidence: float, one_sided: int, two_sided: int
    ) -> None:
        """Least sample sizes for extreme values as limits, one-sided and two-sided.

        Source: Wilks (1941) and ISO 16269-6, distribution-free intervals (from memory).
        """
        assert units_for_rank(content, confidence, both=False) == one_sided
        assert units_for_rank(content, confidence, both=True) == two_sided

    @pytest.mark.parametrize(("units", "rank"), [(58, 0), (59, 1), (92, 1), (93, 2), (124, 3)])
    def test_ranks_95_95(self, units: int, rank: int) -> None:
        """The second largest value does from 93 units on, the third largest from 124.

        Source: Wilks' formula as used in safety analysis, 95/95 (from memory).
        """
        assert order_rank(units, 0.95, 0.95, both=False) == rank


class TestBySimulation:
    @pytest.mark.parametrize("both", [False, True])
    def test_limits_hold_their_content_as_often_as_stated(self, both: bool) -> None:
        """Of many samples, 90 % give factors that hold 95 % of the population.

        Source: the definition of a tolerance interval, by simulation with a fixed seed.
        """
        from scipy.stats import norm

        rng = np.random.default_rng(5)
        samples = rng.normal(size=(4000, 30))
        mean, deviation = samples.mean(axis=1), samples.std(axis=1, ddof=1)
        if both:
            factor = two_sided_factor(30, 0.95, 0.90)
            content = norm.cdf(mean + factor * deviation) - norm.cdf(mean - factor * deviation)
        else:
            content = norm.cdf(mean + one_sided_factor(30, 0.95, 0.90) * deviation)

        assert (content >= 0.95).mean() == pytest.approx(0.90, abs=0.02)
