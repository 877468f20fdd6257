"""Exact bounds of a share against published values."""

from __future__ import annotations

import pytest

from harness.qualify.bounds import share


class TestHandbookExample:
    def test_four_of_twenty_at_ninety_per_cent(self) -> None:
        """The e-Handbook's example, 4 defects in 20 at 90 %, has 0.0714 and 0.4010.

        Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1 (from memory).
        """
        found = share(4, 20, 0.90)

        assert found.low_frac == pytest.approx(0.071354, abs=5e-7)
        assert found.high_frac == pytest.approx(0.401028, abs=5e-7)


class TestTable:
    @pytest.mark.parametrize(
        ("count", "total", "low", "high"),
        [
            (0, 10, 0.0, 0.3085),
            (1, 10, 0.00253, 0.4450),
            (9, 10, 0.5550, 0.9975),
            (10, 10, 0.6915, 1.0),
            (0, 20, 0.0, 0.1684),
            (25, 200, 0.0826, 0.1790),
            (84, 85, 0.9362, 0.9997),
        ],
    )
    def test_two_sided_bounds_at_95_per_cent(
        self, count: int, total: int, low: float, high: float
    ) -> None:
        """Exact two-sided 95 % bounds as tables of them have it.

        Source: Clopper and Pearson (1934), in common tables (from memory; the digits recomputed).
        """
        found = share(count, total)

        assert found.low_frac == pytest.approx(low, abs=6e-5)
        assert found.high_frac == pytest.approx(high, abs=6e-5)

    @pytest.mark.parametrize("total", [1, 7, 300])
    def test_the_edges_follow_the_closed_form(self, total: int) -> None:
        """None of n has the bounds 0 and 1 - (a/2)^(1/n); all of n their mirror image.

        Source: the edge rule of the exact interval, textbook.
        """
        none, every = share(0, total), share(total, total)

        assert none.low_frac == 0.0
        assert none.high_frac == pytest.approx(1.0 - 0.025 ** (1 / total), rel=1e-9)
        assert every.high_frac == 1.0
        assert every.low_frac == pytest.approx(0.025 ** (1 / total), rel=1e-9)


class TestRuleOfThree:
    @pytest.mark.parametrize(("units", "share_frac"), [(299, 0.01), (2995, 0.001)])
    def test_without_a_miss_the_bound_is_three_over_n(self, units: int, share_frac: float) -> None:
        """Without a miss, 299 units show at 95 % (one-sided) less than 1 %; one fewer does not.

        Source: the rule of three, textbook; the numbers from memory, recomputed.
        """
        assert share(0, units, 0.90).high_frac < share_frac
        assert share(0, units - 1, 0.90).high_frac > share_frac
        assert share(0, units, 0.90).high_frac == pytest.approx(3.0 / units, rel=0.01)
