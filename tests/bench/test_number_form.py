"""How numbers are written into messages."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.number_form import NumberForm


class TestWritten:
    @pytest.mark.parametrize(
        ("keys", "value", "text"),
        [
            ({"decimals": 3}, 26.3999, "26.399"),
            ({"scale": 0.1}, 12.0, "120"),
            ({"scale": 0.01, "width": 4}, 1.2, "0120"),
            ({"scale": 0.1, "width": 4}, 0.0, "0000"),
            ({"decimals": 2, "width": 5}, 5.0, "05.00"),
            ({"scale": 0.001, "width": 5}, 26.3999, "26399"),
        ],
    )
    def test_counts_and_noughts(self, keys: dict[str, Any], value: float, text: str) -> None:
        """Counts of a scale, with noughts in front, cut and never rounded up."""
        form = NumberForm.model_validate(keys)

        assert form.written(value) == text
        assert form.read(text) <= value

    def test_what_has_no_room_is_not_sent(self) -> None:
        """A number with more characters than there is room for is told, never cut short."""
        with pytest.raises(ValueError, match="100 does not fit into 3 characters: 1000"):
            NumberForm(scale=0.1, width=3).written(100.0)

    @given(st.floats(0.0, 1e4), st.sampled_from([1.0, 0.1, 0.01, 0.001, 0.05]))
    def test_never_more_than_what_was_meant(self, value: float, scale: float) -> None:
        """What is sent stands for no more than the value, and for less than a count below it."""
        form = NumberForm(scale=scale)

        assert value - 1.001 * scale <= form.read(form.written(value)) <= value
