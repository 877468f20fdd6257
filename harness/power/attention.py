"""What the keeper's signs of life rest on: whether its main thread is at work."""

from __future__ import annotations

import time
from collections.abc import Callable

from harness.bench.link import Link
from harness.errors import Unwatched
from harness.power.vigil import Lookout

__all__ = ["AttendedLink", "Attention"]

#: Longest time the main thread may need beyond what it waits for.
_THINKING_S = 0.2
#: Beyond the time-outs of its parts: an exchange that is given up, or a link that is opened anew.
_GIVING_UP_S = 1.5


class Attention:
    """How long the main thread may be away, and whether it was away for too long.

    Attributes:
        watched: Whether power is on, so that nobody may be away.
    """

    def __init__(self) -> None:
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

    Where nobody was there for too long, the exchange fails, whatever came of it: the instrument may
    have had all the time in the world to go wrong.

    Args:
        link: The link.
        attention: Whose exchanges they are.
        rest_s: Longest wait after an exchange, before the next.
    """

    def __init__(self, link: Link, attention: Attention, rest_s: float) -> None:
        self.name = link.name
        self.timeout_s = link.timeout_s
        self._link = link
        self._attention = attention
        self._rest_s = rest_s

    def write(self, message: str) -> None:
        """Send one message."""
        self._attention.allow(self.timeout_s)
        try:
            self._link.write(message)
        finally:
            self._over(message)

    def query(self, message: str) -> str:
        """Send one message and return its answer without the terminator."""
        self._attention.allow(self.timeout_s)
        try:
            return self._link.query(message)
        finally:
            self._over(message)

    def reopen(self) -> None:
        """Begin the conversation anew: what was still on its way is forgotten."""
        self._attention.allow(self.timeout_s + _GIVING_UP_S)
        try:
            self._link.reopen()
        finally:
            self._over("")

    def close(self) -> None:
        """End the conversation."""
        self._link.close()

    def _over(self, message: str) -> None:
        """Go on.

        Raises:
            Unwatched: Power was on, and nobody there.
        """
        self._attention.allow(self._rest_s)
        found = self._attention.look()
        if found is not None and self._attention.watched():
            raise Unwatched(found, instrument=self.name, message=message)
