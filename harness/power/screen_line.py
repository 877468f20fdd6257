"""A line on the screen, of whoever has no other way to it."""

from __future__ import annotations

import contextlib
import sys


def say(text: str) -> None:
    """Put a line on the screen, if there is one."""
    with contextlib.suppress(OSError):
        sys.stderr.write(f"softwake: {text}\n")
        sys.stderr.flush()


def say_power_is_on(what_to_turn: str) -> None:
    """Say that power is on, and what a person has to turn a source to that nothing cuts."""
    say(f"POWER IS ON: TURN {what_to_turn.upper()}")
