"""Whether power is watched over without a break: times in, findings out.

Two things break it. The machine sleeps: then a clock that counts sleep goes on, and the usual one
stands still. Or a process gets no time to run, because it was stopped or the machine is too busy:
then the time between two of its looks is too long.
"""

from __future__ import annotations

import threading

from harness.bench.clock import awake_s, elapsed_s
from harness.quantity import format_quantity

__all__ = ["LOOK_S", "Lookout", "Silence", "Vigil"]

#: A thread of its own looks so often, whatever the others wait for.
LOOK_S = 0.05
#: Longest time between two looks while power is on. A busy machine may hold a thread up for tenths
#: of a second; beyond this, a supply that gives trouble has been left alone.
_LONGEST_GAP_S = 2.0
#: Difference of the two clocks that is sleep: they run alike, and the coarsest moves in steps of
#: 16 ms.
_SLEPT_S = 0.2
#: A look this late was held up: what came in meanwhile has not been heard yet.
_HELD_UP_S = 5 * LOOK_S


class Vigil:
    """Finds gaps between looks (pure).

    Args:
        awake_s: Time on a clock that stands still while the machine sleeps.
        elapsed_s: Time on one that goes on.
    """

    def __init__(self, awake_s: float, elapsed_s: float) -> None:
        self._awake_s = awake_s
        self._elapsed_s = elapsed_s

    def look(self, awake_s: float, elapsed_s: float) -> str | None:
        """Take note of a look; return how long and why nobody looked before it, if too long."""
        gap_s, total_s = awake_s - self._awake_s, elapsed_s - self._elapsed_s
        self._awake_s, self._elapsed_s = awake_s, elapsed_s
        if total_s - gap_s > _SLEPT_S:
            return f"for {format_quantity(total_s, 's', 3)}: the computer slept"
        if gap_s > _LONGEST_GAP_S:
            return f"for {format_quantity(gap_s, 's', 3)}: the program got no time to run"
        return None


class Lookout:
    """A vigil that the threads of a process keep together, by the machine's clocks.

    Attributes:
        found: What was found first while power was on, or None.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._vigil = Vigil(awake_s(), elapsed_s())
        self.found: str | None = None

    def look(self, *, live: bool) -> str | None:
        """Look; what is found while power is off does not count."""
        with self._lock:
            finding = self._vigil.look(awake_s(), elapsed_s())
            if live and self.found is None:
                self.found = finding
        return self.found


class Silence:
    """How long the other process has been silent, as far as this one was there to hear (pure).

    Args:
        now_s: The time.
    """

    def __init__(self, now_s: float) -> None:
        self._looked_s = now_s
        self._since_s = now_s

    def heard(self, now_s: float) -> None:
        """Note a sign of life."""
        self._since_s = now_s

    def look(self, now_s: float) -> float:
        """Return the silence so far, without the time in which this process was held up itself."""
        gap_s = now_s - self._looked_s
        if gap_s > _HELD_UP_S:
            self._since_s = min(self._since_s + gap_s, now_s)
        self._looked_s = now_s
        return now_s - self._since_s
