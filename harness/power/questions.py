"""What the keeper asks between its samples: whether everything still stands as it was told.

Somebody at the front panel, a second client, or the instrument itself may change a setting, and
readings look alike when each answer belongs to the question before: only other questions show it.
They go out one at a time, the oldest first, so that a sample never waits for more than one of them.
On a link that answers within a few milliseconds each is put twice a second; on a slow one the turn
takes as many samples as there are questions.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from harness.power.moves import CheckErrors, CheckInSync, Confirm, Move

__all__ = ["Questions"]

#: Share of the longest time after which a question is due: what is left is for its turn.
_DUE_FRAC = 0.8


class Questions:
    """The questions in turn.

    Args:
        longest_s: Longest time between two answers to one question, on a link fast enough.
    """

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._asked_s: dict[Move, float] = {}
        self._next_s = math.inf

    def clear(self) -> None:
        """Ask nothing: nothing has been told yet."""
        self._asked_s.clear()
        self._next_s = math.inf

    def told(self, moves: Iterable[Move], now_s: float) -> None:
        """Note what was told: each setting and state that was confirmed is asked for again.

        What belonged to the same question before is forgotten. None is put for a while: a level
        begins with commands, and its rise wants its samples close together.
        """
        for move in moves:
            if not isinstance(move, Confirm):
                continue
            for known in [known for known in self._asked_s if _superseded(known, move)]:
                del self._asked_s[known]
            self._asked_s[replace(move, kept=True)] = now_s
            self._asked_s.setdefault(CheckInSync(move.role), now_s)
            self._asked_s.setdefault(CheckErrors(move.role), now_s)
        if self._asked_s:
            self._next_s = now_s + self._longest_s

    def due(self, now_s: float) -> Move | None:
        """Return the question to put before the next sample: none as a rule."""
        if now_s < self._next_s:
            return None
        question = min(self._asked_s, key=self._asked_s.__getitem__)
        del self._asked_s[question]
        self._asked_s[question] = now_s  # to the end: of two of one time the first told is first
        self._next_s = min(self._asked_s.values()) + _DUE_FRAC * self._longest_s
        return question


def _superseded(known: Move, told: Confirm) -> bool:
    """Whether a question is about what has just been told otherwise."""
    if not isinstance(known, Confirm) or known.role != told.role:
        return False
    if known.operation == told.operation:
        return True
    # what stands in the register of a load's other function is nobody's setting any more
    return told.role == "load" and all(
        operation.endswith("_setting") for operation in (known.operation, told.operation)
    )
