"""Whether power is watched over without a break, and whether each process is still at work.

Two things break it. The machine sleeps: then a clock that counts sleep goes on, and the usual one
stands still; the system is asked not to sleep by itself, but a closed lid, an empty battery or a
hand on the switch put it to sleep all the same. Or a process gets no time to run, because it was
stopped or the machine is too busy: then the time between two of its looks is too long.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from harness.bench.clock import awake_s, elapsed_s
from harness.bench.link import Link
from harness.errors import Unwatched
from harness.quantity import format_quantity

T = TypeVar("T")

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
#: Longest time the keeper's main thread may need beyond what it waits for.
_THINKING_S = 0.2
#: Beyond the time-outs of its parts: an exchange that is given up, or a link that is opened again.
_GIVING_UP_S = 1.5
#: Longest wait for the system's answer to the request not to sleep, and for that to be withdrawn:
#: nothing of the run hangs on it, and the system withdraws it with the process.
_ANSWER_S, _RELEASE_S = 2.0, 1.0


class Lookout:
    """Finds gaps between the looks of all threads of a process, by the machine's clocks."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._awake_s, self._elapsed_s = awake_s(), elapsed_s()
        self._found: str | None = None

    def look(self, *, live: bool) -> str | None:
        """Look; return the first gap found while power was on: how long, and why."""
        with self._lock:
            gap_s, total_s = awake_s() - self._awake_s, elapsed_s() - self._elapsed_s
            self._awake_s += gap_s
            self._elapsed_s += total_s
            if live and self._found is None:
                if total_s - gap_s > _SLEPT_S:
                    self._found = f"for {format_quantity(total_s, 's', 3)}: the computer slept"
                elif gap_s > _LONGEST_GAP_S:
                    gap = format_quantity(gap_s, "s", 3)
                    self._found = f"for {gap}: the program got no time to run"
        return self._found


class Silence:
    """How long the other process has been silent, as far as this one was there to hear (pure)."""

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


class Attention:
    """Whether the keeper's main thread is at work, on which its signs of life rest."""

    def __init__(self) -> None:
        #: Whether power is on, so that nobody may be away.
        self.watched: Callable[[], bool] = lambda: False
        self._lookout = Lookout()
        self._until_s = 0.0

    @property
    def there(self) -> bool:
        """Whether the main thread is at work, or waits for something whose time is not over."""
        return time.monotonic() <= self._until_s

    def allow(self, longest_s: float) -> None:
        """Note that the main thread goes on, and may now be away for so long."""
        self._until_s = time.monotonic() + longest_s + _THINKING_S

    def look(self) -> str | None:
        """Look from any thread; return what was found while power was on, if anything."""
        return self._lookout.look(live=self.watched())


class AttendedLink:
    """A link whose exchanges say how long they may take; fulfils :class:`harness.bench.link.Link`.

    Where nobody was there for too long with power on, the exchange raises ``Unwatched``, whatever
    came of it: the instrument may have had all the time in the world to go wrong.
    """

    def __init__(
        self, link: Link, attention: Attention, rest_s: float, first_answer_s: float = 0.0
    ) -> None:
        self.name = link.name
        self._link = link
        self._attention = attention
        self._rest_s = rest_s  # longest wait after an exchange, before the next
        self._first_answer_s = first_answer_s  # longest wait for a greeting

    @property
    def timeout_s(self) -> float:
        """Longest wait for an answer: for the first one after connecting it may be longer."""
        return self._link.timeout_s

    def write(self, message: str) -> None:
        """Send one message."""
        self._attended(message, lambda: self._link.write(message))

    def query(self, message: str) -> str:
        """Send one message and return its answer without the terminator."""
        return self._attended(message, lambda: self._link.query(message))

    def reopen(self) -> None:
        """Begin a new conversation: what was still on its way is forgotten."""
        self._attended("", self._link.reopen, beyond_s=_GIVING_UP_S + self._first_answer_s)

    def close(self) -> None:
        """End the conversation."""
        self._link.close()

    def _attended(self, message: str, exchange: Callable[[], T], beyond_s: float = 0.0) -> T:
        self._attention.allow(self.timeout_s + beyond_s)
        try:
            return exchange()
        finally:
            self._attention.allow(self._rest_s)
            found = self._attention.look()
            if found is not None and self._attention.watched():
                raise Unwatched(found, instrument=self.name, message=message)


class StayAwake:
    """A request to the system not to sleep, from when it is made until it is released.

    A thread of its own holds it: a desktop that does not answer holds up nobody.
    """

    def __init__(self) -> None:
        self._end_s = time.monotonic() + _ANSWER_S
        self._answered = threading.Event()
        self._released = threading.Event()
        self._granted = False
        self._thread = threading.Thread(target=self._hold, name="stay awake", daemon=True)
        self._thread.start()

    @property
    def granted(self) -> bool:
        """Whether the system took the request; waits for its answer, but not for long."""
        self._answered.wait(max(0.0, self._end_s - time.monotonic()))
        return self._granted

    def release(self) -> None:
        """Let the computer sleep again."""
        self._released.set()
        self._thread.join(_RELEASE_S)

    def _hold(self) -> None:
        try:
            from wakepy import keep  # dear, and needed only where power comes

            with keep.running(on_fail="pass") as mode:
                self._granted = bool(mode.active)
                self._answered.set()
                self._released.wait()
        except Exception:  # noqa: BLE001 - whatever it is, the run goes on, and says so
            self._granted = False
        finally:
            self._answered.set()
