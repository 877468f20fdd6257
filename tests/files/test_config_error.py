"""What is said of a value in a list: the same as of a value alone."""

from __future__ import annotations

from typing import Literal

import pytest
from pydantic import ValidationError

from harness.files.config_error import ConfigError, found_by_validation
from harness.files.field_types import Table


class _Row(Table):
    classes: tuple[Literal["I", "II"], ...]


def test_a_wrong_choice_in_a_list_names_the_choices() -> None:
    """An element of a list that is none of the choices is told which there are."""
    data = {"classes": ["II", "x"]}
    with pytest.raises(ValidationError) as caught:
        _Row.model_validate(data)

    expected = ConfigError(("classes", 1), "expected 'I' or 'II', got 'x'", '"I"')
    assert list(found_by_validation(caught.value, _Row, data)) == [expected]
