from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.scpi import boolean, decimal_text, error_entry, number, split_answers


class TestNumber:
    # SCPI-1999 volume 1 / IEEE 488.2, 8.7.2-8.7.4: NR1, NR2, NR3.
    @pytest.mark.parametrize(
        ("text", "value"),
        [
            ("5", 5.0),
            ("+5", 5.0),
            ("5.0", 5.0),
            ("5.000", 5.0),
            ("5.000E+00", 5.0),
            (" -.5e1", -5.0),
        ],
    )
    def test_the_three_number_formats_are_read(self, text: str, value: float) -> None:
        """NR1, NR2 and NR3 all read as the same number."""
        assert number(text) == value

    # SCPI-1999 volume 1: infinity 9.9E37, minus infinity -9.9E37, not-a-number 9.91E37.
    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("9.9E37", "overload"),
            ("-9.9E37", "overload"),
            ("+9.90000000E+37", "overload"),
            ("9.91E37", "not-a-number"),
            ("9.91000000e+37", "not-a-number"),
            ("NaN", "not-a-number"),
            ("inf", "overload"),
            ("1e400", "overload"),
        ],
    )
    def test_the_markers_are_never_values(self, text: str, says: str) -> None:
        """Overload and not-a-number raise, and the message says which it was."""
        with pytest.raises(ValueError, match=says):
            number(text)

    @pytest.mark.parametrize("text", ["", " ", "5 V", "five", "1_000", "0x1F", "5;6", "--5"])
    def test_text_that_is_no_number_raises(self, text: str) -> None:
        """Anything that is not wholly a number raises."""
        with pytest.raises(ValueError, match="is not a number"):
            number(text)

    @given(st.floats(min_value=-1e30, max_value=1e30))
    def test_any_ordinary_number_survives_the_wire(self, value: float) -> None:
        """A number written in full precision reads back as itself."""
        assert number(repr(value)) == value


class TestBoolean:
    @pytest.mark.parametrize(
        ("text", "value"), [("0", False), ("1", True), ("ON", True), ("off", False), ("1\r", True)]
    )
    def test_zero_and_one_are_read(self, text: str, *, value: bool) -> None:
        """0 and 1 are read, and ON and OFF too (SCPI-1999 volume 1, 7.3)."""
        assert boolean(text) is value

    @pytest.mark.parametrize("text", ["", "2", "true", "1.5"])
    def test_anything_else_raises(self, text: str) -> None:
        """Whatever is neither on nor off raises: a state is never guessed."""
        with pytest.raises(ValueError, match="neither 0 nor 1"):
            boolean(text)


class TestErrorEntry:
    # SCPI-1999 volume 2, SYSTem:ERRor; some instruments answer +0.
    @pytest.mark.parametrize(
        ("text", "code", "says"),
        [
            ('0,"No error"', 0, "No error"),
            ('+0,"No error"', 0, "No error"),
            ('-222,"Data out of range"', -222, "Data out of range"),
            ('-113,"Undefined header"', -113, "Undefined header"),
            ('-350,"Queue overflow"', -350, "Queue overflow"),
            ('-410,"Query INTERRUPTED"', -410, "Query INTERRUPTED"),
            ("101", 101, ""),
        ],
    )
    def test_code_and_text_are_told_apart(self, text: str, code: int, says: str) -> None:
        """An entry gives its code and its text."""
        assert error_entry(text) == (code, says)

    def test_an_answer_without_a_number_raises(self) -> None:
        """An answer that does not begin with a code is no entry."""
        with pytest.raises(ValueError, match="no entry of an error queue"):
            error_entry("No error")


class TestSplitting:
    def test_a_missing_answer_raises(self) -> None:
        """Fewer answers than questions mean that the conversation is out of step."""
        with pytest.raises(ValueError, match="expected 3 answers in one line, got 2"):
            split_answers("1;2", 3)


class TestDecimalText:
    @pytest.mark.parametrize(
        ("value", "decimals", "text"),
        [
            (24.0, 3, "24.000"),
            (2.4000000000000004, 3, "2.400"),
            (2.3, 3, "2.300"),
            (26.39999, 3, "26.399"),
            (0.3, 4, "0.3000"),
            (1e-7, 3, "0.000"),
            (300.0, 0, "300"),
        ],
    )
    def test_numbers_are_cut_to_the_decimals(self, value: float, decimals: int, text: str) -> None:
        """A number goes out with its decimals, in plain notation."""
        assert decimal_text(value, decimals) == text

    @given(st.floats(min_value=0, max_value=1e6), st.integers(min_value=0, max_value=9))
    def test_it_is_never_above_the_value(self, value: float, decimals: int) -> None:
        """Whatever the value, what goes out is never larger."""
        assert float(decimal_text(value, decimals)) <= value
