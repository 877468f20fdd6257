"""One finding, ready to be printed."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Cause"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Why an instrument does not answer.

    Attributes:
        what: What was found, in one sentence without a full stop.
        do: The next step.
        write: Lines to write into a file or a terminal, as they stand; empty where there are none.
    """

    what: str
    remedy: str
    write: tuple[str, ...] = ()
