"""The person at the bench, as the engine sees one: moves leads, reads testers, says yes or no.

Nobody is asked anything while power is on, and everybody is told that it is.
"""

from __future__ import annotations

from typing import Protocol


class Operator(Protocol):
    """Who moves leads and answers questions; by itself it does neither.

    Any of these may raise :class:`~harness.run.stop.Interrupted` where the run is to stop.
    """

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Move the meter's leads as the text says; power is off. Whether that was done.

        ``where`` is a place of :data:`harness.profile.check.Across`.
        """
        return False

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Connect a load by hand, or disconnect it where ``load`` is empty. Whether that was done.

        Power is off.
        """
        return False

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:  # noqa: ARG002
        """Ask for a value in a unit; None without an answer. The second is a note, or empty."""
        return None, ""

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:  # noqa: ARG002
        """Ask a question; None without an answer. The second is a note, or empty."""
        return None, ""

    def confirm(self, text: str) -> bool:  # noqa: ARG002 - nobody is there
        """Whether to go on, all the same."""
        return False

    def power_on(self, step: str) -> None:
        """Be told that power comes on now; must return at once."""

    def power_off(self, *, confirmed: bool) -> None:
        """Be told that power is off, or that this cannot be confirmed; must return at once."""


class Nobody(Operator):
    """An operator who answers nothing: what only a person can tell stays undecided."""

    def power_on(self, step: str) -> None:
        """Do nothing."""

    def power_off(self, *, confirmed: bool) -> None:
        """Do nothing."""
