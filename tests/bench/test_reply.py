"""What is the matter with an answer, and the dialect's line that would be right."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.dialect import Dialect, load_dialect
from harness.bench.finding import compound_cause, reply_cause
from harness.bench.scpi import boolean, number


def with_line(line: str) -> Dialect:
    """Return a supply's dialect with a line put under [answers]."""
    data = load_dialect("scpi-dc-supply").model_dump(by_alias=True, exclude={"link"})
    return Dialect.model_validate({**data, "answers": tomllib.loads(line)})


class TestNumber:
    @pytest.mark.parametrize(
        ("answer", "line"),
        [
            ("24.01,VDC", 'measure_voltage = "{value},VDC"'),
            ("12.000V", 'measure_voltage = "{value}V"'),
            ("V1 -12.000", 'measure_voltage = "V1 {value}"'),
            ("+1.2E+01 V ", 'measure_voltage = "{value} V"'),
            ('"12.0"', "measure_voltage = '\"{value}\"'"),
        ],
    )
    def test_the_line_is_made_of_the_answer(self, answer: str, line: str) -> None:
        """A number among header, unit or quotes gives the line that takes them off."""
        cause = reply_cause("measure_voltage", "MEAS:VOLT?", answer, state=False)

        assert cause.write == (line,)
        assert "its dialect" in cause.remedy
        assert "leads" not in cause.remedy

    @pytest.mark.parametrize(
        ("answer", "says"),
        [
            ("", "its answer is empty"),
            ("  ", "its answer is empty"),
            ("meas:volt?", "an echo"),
            ("Welcome", "may be a greeting"),
            ("12.00/0.100/1.20", "more than one"),
            ("12.00/0.100/1.20", '{ separator = ",", part = 1, parts = 3 }'),
            ("{value} 5", "not a number"),
            ("1.5e-3.", "not a number"),
        ],
    )
    def test_other_causes_have_their_own_advice(self, answer: str, says: str) -> None:
        """Nothing, an echo, a greeting and several values are no matter of units or leads."""
        cause = reply_cause("measure_voltage", "MEAS:VOLT?", answer, state=False)

        assert says in f"{cause.what}; {cause.remedy}"
        assert cause.write == (("echo = true",) if says == "an echo" else ())
        assert "leads" not in cause.remedy

    @given(
        st.text(st.characters(codec="ascii", exclude_categories=["Cc", "Nd"]), max_size=8),
        st.floats(-1e6, 1e6),
        st.text(st.characters(codec="ascii", exclude_categories=["Cc", "Nd"]), max_size=8),
    )
    def test_a_line_that_is_given_reads_the_answer(
        self, before: str, value: float, after: str
    ) -> None:
        """Whatever stands around it: a line that is offered is TOML, and reads that number."""
        answer = f"{before}{value!r}{after}"
        cause = reply_cause("measure_voltage", "MEAS:VOLT?", answer, state=False)

        for line in cause.write:
            read = number(with_line(line).value_in("measure_voltage", answer))
            assert abs(read) == abs(value)


class TestState:
    @pytest.mark.parametrize(
        ("answer", "line"),
        [
            ("OUTP OFF", 'output_state = "OUTP {value}"'),
            ("<ON>", 'output_state = "<{value}>"'),
            ("STATE:1;", 'output_state = "STATE:{value};"'),
        ],
    )
    def test_the_line_is_made_of_the_answer(self, answer: str, line: str) -> None:
        """A state among other text gives the line that takes the rest off."""
        cause = reply_cause("output_state", "OUTP?", answer, state=True)

        assert cause.write == (line,)
        assert isinstance(boolean(with_line(line).value_in("output_state", answer)), bool)

    def test_another_word_needs_another_question(self) -> None:
        """What a word or a bit stands for is the manual's to say: both ways are shown."""
        cause = reply_cause("output_state", "OUTP:MODE?", "CV", state=True)

        assert cause.write == (
            'output_state = { words = { "CV" = 0 } }  # where CV means off',
            'output_state = { words = { "CV" = 1 } }  # where CV means on',
        )
        assert "another question for output_state" in cause.remedy
        assert "words = { YES = 1, NO = 0 }" in cause.remedy


class TestSample:
    NAMES = ("voltage", "current")

    @pytest.mark.parametrize(
        ("answer", "under", "lines"),
        [
            ("12.00,0.100", "[sample]", ('separator = ","',)),
            ("12.00  0.100", "[sample]", ('separator = " "',)),
            (
                "12.00V;0.100A",
                "[answers]",
                ('measure_voltage = "{value}V"', 'measure_current = "{value}A"'),
            ),
            (
                "12.00V,0.100",
                "[sample] and [answers]",
                ('separator = ","', 'measure_voltage = "{value}V"'),
            ),
        ],
    )
    def test_the_lines_are_made_of_the_answer(
        self, answer: str, under: str, lines: tuple[str, ...]
    ) -> None:
        """Another separator, and units in the parts, give the lines that express them."""
        cause = compound_cause(self.NAMES, "MEAS:VOLT?;:MEAS:CURR?", answer)

        assert cause.write == lines
        assert f"write under {under}:" in cause.remedy

    def test_a_missing_part_leaves_the_sample_out(self) -> None:
        """An instrument that answers the first question alone cannot do compound ones."""
        cause = compound_cause(self.NAMES, "MEAS:VOLT?;:MEAS:CURR?", "12.00")

        assert "expected 2 answers in one line (voltage, current), got '12.00'" in cause.what
        assert "leave [sample] out" in cause.remedy
