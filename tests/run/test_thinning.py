from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from harness.bench.sample import SupplySample
from harness.run.thinning import ThinnedRecord


def sample(
    time_s: float, voltage_v: float = 24.0, current_a: float = 0.1, *, protection: bool = False
) -> SupplySample:
    return SupplySample(time_s, voltage_v, current_a, voltage_v * current_a, None, protection)


class TestThinning:
    def test_without_a_resolution_everything_is_kept(self) -> None:
        """Short holds and starts are recorded whole."""
        thinned = ThinnedRecord()

        assert all(thinned.keeps(sample(0.001 * number)) for number in range(100))

    def test_at_most_one_in_a_fifth_of_a_second(self) -> None:
        """Readings at rest are kept every 0.2 s."""
        thinned = ThinnedRecord((0.01, 0.001))
        # 64ths of a second are exact in binary: the 13th is the first past 0.2 s
        kept = [number for number in range(60) if thinned.keeps(sample(number / 64))]

        assert kept == [0, 13, 26, 39, 52]

    def test_a_change_is_kept_at_once(self) -> None:
        """A reading that moved by more than its resolution is kept, whatever the time."""
        thinned = ThinnedRecord((0.01, 0.001))
        thinned.keeps(sample(0.0))

        assert not thinned.keeps(sample(0.01))
        assert thinned.keeps(sample(0.02, voltage_v=24.02))
        assert thinned.keeps(sample(0.03, voltage_v=24.02, current_a=0.11))
        assert thinned.keeps(sample(0.04, voltage_v=math.nan))
        assert thinned.keeps(sample(0.05, protection=True))


@given(st.lists(st.floats(23.0, 25.0), min_size=2, max_size=60))
def test_nothing_kept_back_differs_from_what_was_kept(volts: list[float]) -> None:
    """Whatever is left out lies within one resolution of the last sample that was kept."""
    thinned = ThinnedRecord((0.05, 1.0))
    kept_v = math.nan
    for number, voltage_v in enumerate(volts):
        if thinned.keeps(sample(0.01 * number, voltage_v)):
            kept_v = voltage_v
        else:
            assert abs(voltage_v - kept_v) <= 0.05
