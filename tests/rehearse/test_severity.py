from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.rehearse.faults import FAULTS
from harness.rehearse.severity import Severity

GRADED = {name: fault.degree for name, fault in FAULTS.items() if fault.degree is not None}
DEGREES = st.sampled_from(list(GRADED.values()))


class TestWay:
    @pytest.mark.parametrize("name", GRADED)
    def test_it_leads_from_mild_to_severe(self, name: str) -> None:
        """Share 0 is the mild degree, share 1 the severe one; between them it only gets worse."""
        degree = GRADED[name]
        numbers = [degree.at(step / 20) for step in range(21)]

        assert numbers[0] == pytest.approx(degree.mild)
        assert numbers[-1] == pytest.approx(degree.severe)
        assert numbers == sorted(numbers, reverse=degree.severe < degree.mild)

    @given(DEGREES, st.floats(0.0, 1.0))
    def test_a_place_leads_back_to_its_number(self, degree: Severity, share_frac: float) -> None:
        """Where a number stands is the share it was made from."""
        assert degree.place_of(degree.at(share_frac)) == pytest.approx(share_frac, abs=1e-9)

    @given(DEGREES, st.floats(0.0, 1.0))
    def test_every_number_on_it_can_be_given(self, degree: Severity, share_frac: float) -> None:
        """No number between mild and severe is refused as a severity."""
        number = degree.at(share_frac)

        assert degree.number(number) == number

    def test_by_decades_the_middle_is_the_geometric_mean(self) -> None:
        """Half-way from 5 ohm to 0.05 ohm by decades is 0.5 ohm; evenly it would be 2.525 ohm."""
        short = GRADED["shorted-input"]

        assert short.by_decades
        assert short.at(0.5) == pytest.approx(0.5)
        assert GRADED["output-low"].at(0.5) == pytest.approx(0.165)
