"""The way off: what is told and asked until power is off, role by role (safety rules 4, 8, 15).

The supply's output goes off first, by the very next message: it does so without an arc, and takes
the energy away whatever is wrong. Right behind it, waiting for no answer, the contact in the feed
is told to open: as a rule it breaks no current, which is what wears and welds contacts, and an
output that stays on is cut all the same. What drives an enable input is told with them: a pin that
stays driven feeds a unit without power backwards. Only then is any of them asked. Loads come last,
since without a supply they draw nothing but stored charge. Where nothing cuts but a person who
turns down, they are told before anybody waits for that, and seen to be off after it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from harness.power.commands import MEASURED_ATTEMPTS, OFF_ATTEMPTS
from harness.power.moves import Confirm, Gone, Move, Send

#: What is told of the contact in the feed.
CONTACT_OPEN = "the contact in the feed is open, and says so"
CONTACT_CLOSED = "the contact in the feed is closed, and says so"
CONTACT_FAULT = "THE CONTACT IN THE FEED IS NOT KNOWN TO BE OPEN"

#: What switches the supply's output off.
OUTPUT_OFF: tuple[Send, Confirm] = (
    Send("supply", "output_off"),
    Confirm("supply", "output_state", expected=False),
)
#: What takes energy from the unit, in this order; each is told before any is asked.
_CUTS: dict[str, tuple[Send, Confirm]] = {
    "supply": OUTPUT_OFF,
    "switch": (
        Send("switch", "contact_open"),
        Confirm("switch", "contact_state", expected=False),
    ),
    "aux": (
        Send("aux", "output_off"),
        Confirm("aux", "output_state", expected=False),
    ),
    "enable_switch": (
        Send("enable_switch", "contact_open"),
        Confirm("enable_switch", "contact_state", expected=False),
    ),
}


class WayOff:
    """Switching off: each role is tried until it is confirmed, or given up.

    What cuts is told first; ``then`` has the moves of the others, by their keys. ``early`` is told
    once before all that, and waits for nothing.
    """

    def __init__(
        self, *cutting: str, then: Mapping[str, tuple[Move, ...]], early: tuple[Send, ...] = ()
    ) -> None:
        self._early = early
        self._moves: dict[str, tuple[Move, ...]] = {role: _CUTS[role] for role in cutting}
        self._then = then
        self._moves |= then
        self._left: dict[str, int] = {}  # tries, by role that is not confirmed yet
        self.given_up: frozenset[str] = frozenset()

    @property
    def under_way(self) -> bool:
        """Whether something was told to go off, and is neither confirmed yet nor given up."""
        return bool(self._left)

    def begin(self) -> tuple[Move, ...]:
        """Return the moves that switch everything off, from the first try on."""
        self._left = {
            role: MEASURED_ATTEMPTS if isinstance(moves[-1], Gone) else OFF_ATTEMPTS
            for role, moves in self._moves.items()
        }
        self.given_up = frozenset()
        return (*self._early, *self._pending())

    def failed(self, move: Move | None) -> tuple[Move, ...]:
        """Return what is to be tried after a move, or a reading (None), that failed."""
        role = move.role if move is not None and move.role in self._left else next(iter(self._left))
        self._left[role] -= 1
        if not self._left[role]:
            del self._left[role]
            self.given_up |= {role}
        return self._pending()

    def done(self, move: Move) -> None:
        """Note that a move was carried out; what was asked last of a role confirms it."""
        if move.role in self._left and move == self._moves[move.role][-1]:
            del self._left[move.role]

    def _pending(self) -> tuple[Move, ...]:
        """Return what is still to be told and asked: all that cuts is told first."""
        cutting = [_CUTS[role] for role in _CUTS if role in self._left]
        told = (tell for tell, _ in cutting)
        asked = (ask for _, ask in cutting)
        then = (move for key, moves in self._then.items() if key in self._left for move in moves)
        return (*told, *asked, *then)


def at_once(moves: Iterable[Move]) -> tuple[Send, ...]:
    """Return what among moves takes energy from the unit by being sent, confirmed or not."""
    tells = {tell for tell, _ in _CUTS.values()}
    return tuple(move for move in moves if isinstance(move, Send) and move in tells)


def cuts(role: str) -> tuple[Send, Confirm]:
    """Return the moves that switch off what takes energy to the unit, and have it confirmed."""
    return _CUTS[role]


def contact_moves(*, closed: bool) -> tuple[Move, ...]:
    """Return the moves that close or open the contact in the feed, and have it confirmed."""
    if not closed:
        return cuts("switch")
    return (
        Send("switch", "contact_close"),
        Confirm("switch", "contact_state", expected=True),
    )
