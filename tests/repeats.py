"""Repeats of a test: the first of them in every run, the others where CI or torture asks."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def repeats(values: Iterable[Any], first: int = 1) -> list[Any]:
    """Return values for ``parametrize``, of which all but so many are repeats and torture."""
    marks = (pytest.mark.repeat, pytest.mark.torture)
    return [
        value if number < first else pytest.param(*_each(value), marks=marks)
        for number, value in enumerate(values)
    ]


def _each(value: Any) -> tuple[Any, ...]:
    return value if isinstance(value, tuple) else (value,)
