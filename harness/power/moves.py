"""What the keeper puts on the wire, one message each."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CheckErrors", "CheckInSync", "CheckProtection", "Confirm", "Move", "Send"]


@dataclass(frozen=True, slots=True)
class Send:
    """Send an operation to an instrument."""

    role: str
    operation: str
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Confirm:
    """Ask for a setting or state; anything but the expected answer is a failure.

    Attributes:
        role: The instrument.
        operation: What is asked.
        expected: The state, or the value that was set.
        tolerance: How far a value may be off.
        set_by: Operation that set the value: what really went on the wire is what must come back.
        kept: Whether it was so when it was told: another answer now is a change by somebody else.
    """

    role: str
    operation: str
    expected: float | bool
    tolerance: float = 0.0
    set_by: str = ""
    kept: bool = False


@dataclass(frozen=True, slots=True)
class CheckErrors:
    """Read the error queue; an entry is a failure."""

    role: str


@dataclass(frozen=True, slots=True)
class CheckInSync:
    """Ask who it is; any other answer than at its introduction is a failure.

    Readings look alike: when each answer belongs to the question before, only another question
    shows it.
    """

    role: str


@dataclass(frozen=True, slots=True)
class CheckProtection:
    """See that its status tells of no protection that has tripped; one that has is a failure."""

    role: str


Move = Send | Confirm | CheckErrors | CheckInSync | CheckProtection
