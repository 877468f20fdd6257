"""The lines of a dialect that fit an answer, and that they do."""

from __future__ import annotations

import tomllib

import pytest

from harness.bench.answer_form import AnswerForm
from harness.bench.answer_lines import answer_lines


def forms(operation: str, answer: str, *, state: bool) -> list[tuple[AnswerForm, str]]:
    """Return the lines as a dialect reads them, each with what it says it takes."""
    found = []
    for each in answer_lines(operation, answer, state=state):
        told = tomllib.loads(each.line)[operation]
        told = {"text": told} if isinstance(told, str) else told
        found.append((AnswerForm.model_validate(told), each.takes))
    return found


class TestNumbers:
    @pytest.mark.parametrize(
        ("answer", "values"),
        [
            ("12.00,0.100,1.20", ["12.00", "0.100", "1.20"]),
            ("12.000V 0.3000A CV", ["12.000", "0.3000"]),
            ("V=12.0;I=0.5", ["12.0", "0.5"]),
            ("24.01,VDC", ["24.01"]),
            ("V1 12.000", ["12.000"]),
            ("12.0V", ["12.0"]),
        ],
    )
    def test_each_line_takes_what_it_says(self, answer: str, values: list[str]) -> None:
        """Every value in an answer has a line that takes it and no other."""
        found = forms("measure_voltage", answer, state=False)

        assert [takes for _, takes in found] == values
        assert [form.value_in(answer) for form, _ in found] == values

    @pytest.mark.parametrize("answer", ["", "Welcome", "12/5", "{value} 5", "1\x002"])
    def test_at_a_loss_nothing_is_said(self, answer: str) -> None:
        """What parts no values gives no line."""
        assert answer_lines("measure_voltage", answer, state=False) == ()


class TestStates:
    @pytest.mark.parametrize(
        ("answer", "values"),
        [
            ("STANDBY", ["0", "1"]),
            ('"open"', ["0", "1"]),
            ("65", ["1", "1"]),
            ("OUT ON", ["ON"]),
        ],
    )
    def test_words_and_bits_are_shown_both_ways(self, answer: str, values: list[str]) -> None:
        """A word may mean off or on, and any bit of a register may be the one."""
        found = forms("output_state", answer, state=True)

        assert [form.value_in(answer) for form, _ in found] == values

    @pytest.mark.parametrize("answer", ["?", "12.5", "70000", "a,b"])
    def test_at_a_loss_nothing_is_said(self, answer: str) -> None:
        """What is no state in any way gives no line."""
        assert answer_lines("output_state", answer, state=True) == ()
