from __future__ import annotations

import csv
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.record.csv_text import number, printable, word, word_back


def read_back(field: str) -> str:
    """Read a field as any CSV reader does, then undo the project's own rules."""
    (fields,) = csv.reader([f"{field},end"], strict=True)
    assert fields[1:] == ["end"]
    return word_back(fields[0])


class TestWord:
    @given(text=st.text())
    def test_any_text_reads_back_the_same(self, text: str) -> None:
        """Any text comes back the same through a CSV reader of the standard library."""
        assert read_back(word(text)) == text

    @given(text=st.text())
    def test_a_field_stays_on_its_line(self, text: str) -> None:
        """No text breaks a line or hides a character that does not print."""
        assert word(text).isprintable()

    @given(first=st.sampled_from("=+-@\t\r＝＋－＠"), rest=st.text())  # noqa: RUF001
    def test_no_text_is_a_formula(self, first: str, rest: str) -> None:
        """Text that a spreadsheet would work out begins with an apostrophe or a backslash."""
        assert word(first + rest).lstrip('"')[0] in "'\\"

    @pytest.mark.parametrize(
        ("text", "field"),
        [
            ("start", "start"),
            ("", ""),
            ("nominal, 60 Hz", '"nominal, 60 Hz"'),
            ('5 V "main"', '"5 V ""main"""'),
            (" padded ", '" padded "'),
            ("=cmd|' /C calc'!A0", "'=cmd|' /C calc'!A0"),
            ("-1,5", '"\'-1,5"'),
            ("'quoted", "''quoted"),
            ("a\nb\tc\rd", r"a\nb\tc\rd"),
            (r"C:\bench", r"C:\\bench"),
            ("\x1b[31m\x00", r"\x1b[31m\x00"),
            ("\u202eevil\u2028", r"\u202eevil\u2028"),
            ("\U000e0041", r"\U000e0041"),
            ("24 Ω, 5 µF", '"24 Ω, 5 µF"'),
        ],
    )
    def test_how_text_is_written(self, text: str, field: str) -> None:
        """Each rule of the table's text shows in its field."""
        assert word(text) == field

    def test_half_a_surrogate_pair_stays_escaped(self) -> None:
        """A byte that was no UTF-8 is written as an escape, which reading leaves alone."""
        assert word_back(word("SN\udc80")) == r"SN\udc80"


class TestNumber:
    @given(value=st.floats())
    def test_a_number_reads_back_to_the_last_bit(self, value: float) -> None:
        """Any double comes back as the same double."""
        assert float(number(value)) == value or math.isnan(value)

    def test_no_number_is_an_empty_field(self) -> None:
        """A limit that is not there is an empty field."""
        assert number(None) == ""


class TestPrintable:
    def test_a_reader_sees_every_character(self) -> None:
        """What does not print is shown as an escape; a backslash stays one."""
        assert printable("C:\\\x07\u202e") == "C:\\\\x07\\u202e"
