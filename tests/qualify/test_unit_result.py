from __future__ import annotations

import csv
import io
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.qualify.unit_result import COLUMNS, End, Judged, UnitResult, csv_text, frame_of

NUMBERS = st.floats(allow_infinity=False)
WORDS = st.text(max_size=20)


@st.composite
def rows(draw: st.DrawFn) -> UnitResult:
    """Draw a row with anything in it that a run could leave there."""
    return UnitResult(
        index=draw(st.integers(0, 10**7)),
        kind=draw(WORDS),
        severity=draw(NUMBERS),
        clear=draw(st.booleans()),
        seed=draw(st.integers(0, 2**31)),
        end=draw(st.sampled_from(End)),
        trip=draw(WORDS),
        step=draw(WORDS),
        level=draw(WORDS),
        reason=draw(WORDS),
        duration_s=draw(NUMBERS),
        charge_c=draw(NUMBERS),
        energy_j=draw(NUMBERS),
        i2t_a2s=draw(NUMBERS),
        fuse_open=draw(st.booleans()),
        checks=tuple(draw(st.lists(judged(), max_size=3))),
    )


@st.composite
def judged(draw: st.DrawFn) -> Judged:
    """Draw a check."""
    return Judged(
        step=draw(WORDS),
        check=draw(WORDS),
        quantity=draw(WORDS),
        unit=draw(st.sampled_from(["V", "A", "%", "1"])),
        value=draw(NUMBERS),
        uncertainty=draw(NUMBERS),
        verdict=draw(st.sampled_from(["pass", "fail", "undecided"])),
    )


class TestLines:
    @given(rows())
    def test_a_line_reads_back_as_its_row(self, row: UnitResult) -> None:
        """The journal keeps a row whole, every number to the last digit."""
        line = row.to_line()

        assert line.count("\n") == 1
        assert UnitResult.from_line(line).to_line() == line
        assert repr(UnitResult.from_line(line)) == repr(row)

    @pytest.mark.parametrize("line", ["", "{}", "[1, 2]", "[[", "null", '["a"]'])
    def test_what_is_no_line_is_refused(self, line: str) -> None:
        """Text that no row wrote is an error that says so."""
        with pytest.raises(ValueError, match=r"."):
            UnitResult.from_line(line)


class TestTable:
    def test_the_csv_has_a_column_a_check(self, rows_a: tuple[UnitResult, ...]) -> None:
        """Every row has every column; a check that was not reached is an empty field."""
        read = list(csv.DictReader(io.StringIO(csv_text(rows_a))))

        assert len(read) == len(rows_a)
        assert tuple(read[0])[: len(COLUMNS)] == COLUMNS
        assert "nominal: 5 V rail (V)" in read[0]
        for row, fields in zip(rows_a, read, strict=True):
            assert fields["unit"] == str(row.index)
            assert fields["class"] == row.kind
            assert fields["clear"] == ("true" if row.clear else "false")
            assert fields["severity"] == ("" if math.isnan(row.severity) else repr(row.severity))
            known = {one.name for one in row.checks}
            assert (fields["nominal: 5 V rail (V)"] == "") == ("nominal: 5 V rail" not in known)

    def test_the_frame_has_the_same_figures(self, rows_a: tuple[UnitResult, ...]) -> None:
        """The frame has the columns of the CSV, and numbers as numbers."""
        frame = frame_of(rows_a)

        assert list(frame.columns[: len(COLUMNS)]) == list(COLUMNS)
        assert frame["energy_j"].dtype == "float64"
        assert frame["clear"].dtype == "bool"
        assert list(frame["unit"]) == [row.index for row in rows_a]
        healthy = frame[frame["class"] == "healthy"]
        assert healthy["nominal: 5 V rail"].between(4.9, 5.1).all()
