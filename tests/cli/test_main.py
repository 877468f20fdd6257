"""The list of commands, which loads none of them."""

from __future__ import annotations

import inspect

import pytest

from harness.cli.main import _COMMANDS, _loaded


@pytest.mark.parametrize("name", _COMMANDS)
def test_the_list_says_what_the_command_says(name: str) -> None:
    """The line of a command in the list is the first of its own help."""
    first, _, _ = inspect.cleandoc(_loaded(name).help).partition("\n")

    assert first == _COMMANDS[name]
