from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from harness.qualify.bounds import agreement, share

COUNTS = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


class TestShare:
    @given(COUNTS)
    def test_the_bounds_hold_the_share_between_them(self, counts: tuple[int, int]) -> None:
        """The counted share lies between its bounds, and these between 0 and 1."""
        found = share(*counts)

        assert 0.0 <= found.low_frac <= found.frac <= found.high_frac <= 1.0

    @given(COUNTS)
    def test_one_more_raises_both_bounds(self, counts: tuple[int, int]) -> None:
        """With one more unit of the kind neither bound falls."""
        count, total = counts
        if count == total:
            return
        fewer, more = share(count, total), share(count + 1, total)

        assert more.low_frac > fewer.low_frac
        assert more.high_frac > fewer.high_frac or fewer.high_frac == 1.0

    @given(COUNTS)
    def test_the_other_kind_has_the_mirrored_bounds(self, counts: tuple[int, int]) -> None:
        """What is left over has the bounds' complements."""
        count, total = counts
        one, other = share(count, total), share(total - count, total)

        assert one.low_frac == pytest.approx(1.0 - other.high_frac, abs=1e-9)

    @given(COUNTS, st.floats(0.5, 0.9))
    def test_more_confidence_asks_for_wider_bounds(
        self, counts: tuple[int, int], confidence_frac: float
    ) -> None:
        """Bounds at a lower confidence lie inside those at 95 %."""
        wide, narrow = share(*counts), share(*counts, confidence_frac)

        assert wide.low_frac <= narrow.low_frac + 1e-12
        assert narrow.high_frac <= wide.high_frac + 1e-12

    @given(COUNTS)
    def test_the_bounds_are_where_the_tails_say(self, counts: tuple[int, int]) -> None:
        """At each bound the count, or one further out, has a chance of 2.5 % (binomial)."""
        from scipy.stats import binom

        count, total = counts
        found = share(count, total)
        if count:
            assert binom.sf(count - 1, total, found.low_frac) == pytest.approx(0.025, rel=1e-6)
        if count < total:
            assert binom.cdf(count, total, found.high_frac) == pytest.approx(0.025, rel=1e-6)

    def test_no_units_say_nothing(self) -> None:
        """Without units the bounds are 0 and 1, and there is no share."""
        found = share(0, 0)

        assert (found.low_frac, found.high_frac) == (0.0, 1.0)
        assert math.isnan(found.frac)

    @pytest.mark.parametrize(("count", "total", "confidence"), [(-1, 4, 0.95), (5, 4, 0.95)])
    def test_an_impossible_count_is_refused(
        self, count: int, total: int, confidence: float
    ) -> None:
        """More units of a kind than units in all is an error, not a share."""
        with pytest.raises(ValueError, match="is no share"):
            share(count, total, confidence)

    @pytest.mark.parametrize("confidence", [0.0, 1.0, math.nan])
    def test_an_impossible_confidence_is_refused(self, confidence: float) -> None:
        """A confidence is a number between 0 and 1."""
        with pytest.raises(ValueError, match="between 0 and 1"):
            share(1, 4, confidence)


class TestAgreement:
    def test_two_shares_by_fisher(self) -> None:
        """For two shares it is Fisher's exact test. Source: scipy.stats.fisher_exact."""
        for counts in ((3, 9), (0, 5), (8, 8), (12, 1)):
            table = [[counts[0], 20 - counts[0]], [counts[1], 25 - counts[1]]]
            shares = [share(counts[0], 20), share(counts[1], 25)]

            assert agreement(shares) == pytest.approx(fisher_exact(table).pvalue)

    def test_three_shares_by_hand(self) -> None:
        """All three of one group of three, none of two others: 3 of the 84 ways to deal them out.

        Source: Freeman and Halton (1951), by counting: 9 choose 3 is 84, and three ways are alike.
        """
        shares = [share(3, 3), share(0, 3), share(0, 3)]

        assert agreement(shares) == pytest.approx(3 / 84)

    @pytest.mark.parametrize("counts", [(0, 0, 0), (10, 10, 10)])
    def test_none_and_all_agree(self, counts: tuple[int, ...]) -> None:
        """Where no unit counts, or every one, there is nothing to differ in."""
        assert agreement([share(count, 10) for count in counts]) == 1.0
