"""Between which moments power went off and came on, by the clock of whoever holds the link."""

from __future__ import annotations

import math

from harness.power.moves import Confirm, Move, Send

#: Between which two moments something was done or read, on the run's clock.
Span = tuple[float, float]

#: What cuts the feed, and what closes it, by role.
_FEED = ("supply", "switch")
_OFF, _ON = ("output_off", "contact_open"), ("output_on", "contact_close")
_STATES = ("output_state", "contact_state")


class PowerTimes:
    """Notes the moves that switch the feed, from before each is sent until it is confirmed.

    Power is off from the first that cuts, and on from the last that closes.
    """

    def __init__(self) -> None:
        self._is_on = False
        self._off: Span | None = None
        self._on: Span | None = None

    def begin(self, move: Move, now_s: float, *, live: bool) -> None:
        """Note that a move is put now; ``live``: power is on, or comes on by it."""
        if not isinstance(move, Send) or move.role not in _FEED:
            return
        if move.operation in _OFF and self._is_on:
            self._is_on, self._off, self._on = False, (now_s, math.inf), None
        elif move.operation in _ON and live:
            self._is_on, self._on = True, (now_s, math.inf)

    def done(self, move: Move, now_s: float) -> None:
        """Note that it was carried out: an answer confirms what was told before it."""
        if not isinstance(move, Confirm) or (move.role, move.operation) not in _ASKED:
            return
        if move.expected is False and self._off is not None and math.isinf(self._off[1]):
            self._off = self._off[0], now_s
        if move.expected is True and self._on is not None and math.isinf(self._on[1]):
            self._on = self._on[0], now_s

    @property
    def off(self) -> tuple[Span, Span] | None:
        """When power last went off, and when it came back; None where it did not, or never went."""
        if self._off is None or self._on is None or math.inf in (self._off[1], self._on[1]):
            return None
        return self._off, self._on


_ASKED = frozenset((role, state) for role in _FEED for state in _STATES)
