"""Two ways of doing the same, timed in turns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import median

__all__ = ["InTurns", "in_turns"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InTurns:
    """Medians over all rounds.

    Attributes:
        ours_s: Time of our way, in seconds.
        theirs_s: Time of the other way, in seconds.
        ratio: Ours over theirs: the median of the ratios of each round, in which both met the
            same machine.
    """

    ours_s: float
    theirs_s: float
    ratio: float


def in_turns(ours: Callable[[], float], theirs: Callable[[], float], rounds: int) -> InTurns:
    """Time two ways in turns: ours, theirs, ours, theirs.

    Args:
        ours: Carries our way out once and returns its time in seconds.
        theirs: The same for the other way.
        rounds: Turns of each; one more of each goes before them and does not count.
    """
    ours(), theirs()
    pairs = [(ours(), theirs()) for _ in range(rounds)]
    return InTurns(
        ours_s=median(first for first, _ in pairs),
        theirs_s=median(second for _, second in pairs),
        ratio=median(first / second for first, second in pairs),
    )
