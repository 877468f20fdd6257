"""How answers are taken apart; what each looks like on the wire is common practice."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.answer_form import AnswerForm
from harness.bench.scpi import OverloadAnswer, boolean, number


def form(**keys: Any) -> AnswerForm:
    return AnswerForm.model_validate(keys)


SECOND = {"separator": ",", "part": 2, "parts": 3}


class TestNumber:
    @pytest.mark.parametrize(
        ("keys", "answer", "value"),
        [
            (SECOND, "12.00,0.100,1.20", 0.1),
            ({"separator": " ", "part": 1, "parts": 2}, " 12.00   0.100 ", 12.0),
            ({**SECOND, "text": "I={value}A"}, "V=12.0V, I=0.100A ,P=1.2W", 0.1),
            ({"scale": 0.1}, "0120", 12.0),
            ({"scale": 0.01}, "1200", 12.0),
            ({"scale": 0.001, "text": "{value} mV"}, "1234.5 mV", 1.2345),
            ({**SECOND, "scale": 0.1}, "120,003,0", 0.3),
            ({"words": {"CV": 0, "CC": 1}}, '"cc"', 1.0),
            # IEEE 488.2-1992, 8.7.4 to 8.7.6: hexadecimal, octal and binary response data
            ({"digits": "hex"}, "#H1F", 31.0),
            ({"digits": "octal"}, "#Q17", 15.0),
            ({"digits": "binary"}, "#B101", 5.0),
            ({"digits": "binary"}, "00000101", 5.0),
        ],
    )
    def test_layers_come_off_in_their_order(
        self, keys: dict[str, Any], answer: str, value: float
    ) -> None:
        """Separator, text, digits, words and scale leave the number in SI."""
        assert number(form(**keys).value_in(answer)) == value

    def test_a_part_of_a_sample_has_been_parted(self) -> None:
        """What a sample has split is not split again; the other layers come off."""
        assert form(**SECOND, scale=0.1).value_in("3", parted=True) == "0.3"

    @pytest.mark.parametrize(
        ("keys", "answer"),
        [
            (SECOND, "12.00,0.100"),
            (SECOND, "12.00"),
            ({"words": {"CV": 0}}, "CP"),
            ({"words": {"CV": 0}}, ""),
            ({"digits": "hex"}, "-1"),
            ({"digits": "hex"}, "1_0"),
            ({"digits": "hex"}, "G"),
            ({"digits": "binary"}, "2"),
            ({"mask": 1}, "1.5"),
            ({"mask": 1}, "-1"),
            ({"mask": 1}, "ON"),
            ({"scale": 0.1}, "12 V"),
            ({"scale": 0.1}, ""),
            ({"scale": 0.1}, "1_0"),
        ],
    )
    def test_what_looks_otherwise_is_none(self, keys: dict[str, Any], answer: str) -> None:
        """Another number of parts, an unknown word, digits of another system: no value."""
        with pytest.raises(ValueError, match=r"."):
            form(**keys).value_in(answer)

    @pytest.mark.parametrize("answer", ["9.9E37", "+9.90000E+37"])
    def test_a_marker_is_no_value_at_any_scale(self, answer: str) -> None:
        """The marker for overload (SCPI-1999 volume 1, 7.2.1) does not become a number by scale."""
        with pytest.raises(OverloadAnswer):
            form(scale=0.001).value_in(answer)

    @given(
        st.text(max_size=20),
        st.sampled_from(
            [
                {"words": {"{0.__class__}": 1, "%s": 0}},
                {"text": "{0!r}{value}%(x)s"},
                {"separator": "{", "part": 1, "parts": 2},
                {"digits": "hex"},
                {"mask": 3},
                {"scale": 0.1},
            ]
        ),
    )
    def test_any_answer_is_a_value_or_none(self, answer: str, keys: dict[str, Any]) -> None:
        """Whatever comes, and whatever the dialect says, there is a value or a ValueError."""
        with contextlib.suppress(ValueError):
            assert isinstance(form(**keys).value_in(answer), str)


class TestState:
    @pytest.mark.parametrize(
        ("keys", "answer", "state"),
        [
            ({"words": {"YES": 1, "NO": 0}}, "NO", False),
            ({"words": {"YES": 1, "NO": 0}}, '"yes"', True),
            ({"words": {"0": 1, "1": 0}}, "0", True),
            ({"mask": 64}, "65", True),
            ({"mask": 64}, "1", False),
            ({"mask": 3}, "2", True),
            ({"mask": 64, "digits": "hex"}, "41", True),
            ({"mask": 64, "words": {"0": 1, "1": 0}}, "64", False),
            ({**SECOND, "words": {"OFF": 0, "ON": 1}}, "CV,OFF,3", False),
        ],
    )
    def test_words_and_bits_are_a_state(
        self, keys: dict[str, Any], answer: str, *, state: bool
    ) -> None:
        """A word, a bit, or either of them turned round, is on or off."""
        assert boolean(form(**keys).value_in(answer)) is state
