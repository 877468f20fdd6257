from __future__ import annotations

import pytest
from pydantic import TypeAdapter, ValidationError

from harness.unit.part_ratings import Joules, MeltingIntegral, SurgeAmps, shown_figure
from harness.unit.unit_file import Story


class TestReading:
    @pytest.mark.parametrize("text", ["60 A2s", "60 A^2s", "60 A\u00b2s", "60A2s", "6e1 A2 s"])
    def test_spellings_of_a_melting_integral(self, text: str) -> None:
        """Ampere squared second is read in each of its usual spellings."""
        assert TypeAdapter(MeltingIntegral).validate_python(text) == 60.0

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            (60, "expected a melting integral with its unit, got 60"),
            ("60", "'60' is not in A2s"),
            ("60 A", "'60 A' is not in A2s"),
            ("much", "'much' is not a melting integral"),
            ("0 A2s", "'0 A2s' is no melting integral of a fuse"),
            ("-1 A2s", "'-1 A2s' is no melting integral of a fuse"),
        ],
    )
    def test_no_melting_integral(self, text: object, problem: str) -> None:
        """Anything else is told in words."""
        with pytest.raises(ValidationError) as caught:
            TypeAdapter(MeltingIntegral).validate_python(text)

        assert caught.value.errors()[0]["msg"] == problem

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            ("5 W", "'5 W' is a power; expected an energy"),
            ("0 J", "'0 J' is not above zero"),
            ("2 MJ", "'2 MJ' is more than 1 MJ, the most that can be asked for"),
        ],
    )
    def test_no_energy(self, text: str, problem: str) -> None:
        """An energy rating is an energy, above zero, of a part one can hold."""
        with pytest.raises(ValidationError) as caught:
            TypeAdapter(Joules).validate_python(text)

        assert caught.value.errors()[0]["msg"] == problem

    def test_surges_are_larger_than_steady_currents(self) -> None:
        """A surge current may be far above what any bench carries steadily."""
        assert TypeAdapter(SurgeAmps).validate_python("40 kA") == 40e3

    @pytest.mark.parametrize("text", ["", "  ", "two\nlines", "x" * 501, 5])
    def test_no_story(self, text: object) -> None:
        """A story is one printable line that is not blank."""
        with pytest.raises(ValidationError):
            TypeAdapter(Story).validate_python(text)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.2, "A2s", "0.2 A2s"),
        (60.0, "A2s", "60 A2s"),
        (1234.0, "A2s", "1234 A2s"),
        (456793.0, "A2s", "4.6e5 A2s"),
        (0.0, "A2s", "0 A2s"),
        (323.87, "V", "324 V"),
    ],
)
def test_shown_without_a_prefix(value: float, unit: str, text: str) -> None:
    """A melting integral takes no prefix; other figures take the usual ones."""
    assert shown_figure(value, unit) == text
