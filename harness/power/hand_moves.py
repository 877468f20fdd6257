"""A source that a hand sets: nothing goes on the wire to it, and the keeper watches what it does.

It is cut by the contact in the feed. What the power meter reads at the unit must keep to what the
level wants of the hand, and to its current limit: such a source limits nothing by itself.
"""

from __future__ import annotations

import math
from collections import deque

from harness.bench.sample import SupplySample
from harness.errors import CommandRefused
from harness.power.commands import Arm
from harness.power.envelope import OperatingEnvelope
from harness.power.moves import Check, Gone, Move
from harness.power.supply_moves import contact_cleared, require_frequency, require_inside
from harness.power.trip import Finding, TripReason
from harness.power.way_off import contact_moves
from harness.profile.hand_set import Turn
from harness.profile.level import Level
from harness.quantity import format_quantity

#: What reads the feed.
METER = "power_meter"
#: Voltage that counts as none, as a share of the envelope's, beside twice the meter's error: a
#: suppression capacitor may hold a little, and an open lead picks some up (common practice).
_NO_VOLTAGE_FRAC, _ERRORS = 0.03, 2.0
#: Current that counts as none, as a share of the envelope's, beside twice the meter's error.
_NO_CURRENT_FRAC = 0.005
#: A rise is looked at over so long, and over the time between two readings where that is more.
_RISE_S = 0.5
#: What a reading may be above the last without being a rise, as a share of the envelope's voltage.
_JUMP_FRAC = 0.02


class HandMoves:
    """What is told and asked around a source set by hand, and the watch on the hand."""

    def __init__(self, envelope: OperatingEnvelope, switch: frozenset[str]) -> None:
        self._envelope = envelope
        self._switch = switch
        self._limit_a = envelope.current_a
        self._watch = TurnWatch(envelope)

    def clear(self, *, look_at_protection: bool) -> tuple[Move, ...]:  # noqa: ARG002 - it has none
        """Return the moves that begin with an open contact, and no power behind it."""
        return (*contact_cleared(self._switch), self.gone())

    def off(self) -> Gone:
        """Return what shows that power is off; without a switch a person has to see to that."""
        return self.gone(by_hand=not self._switch)

    def gone(self, *, by_hand: bool = False) -> Gone:
        """Return what shows that no power is there: no voltage, and no current."""
        envelope = self._envelope
        return Gone(
            METER,
            _NO_VOLTAGE_FRAC * envelope.voltage_v + _ERRORS * envelope.voltage_error_v,
            _NO_CURRENT_FRAC * envelope.current_a + _ERRORS * envelope.current_error_a,
            by_hand,
        )

    def prepare(self, arm: Arm) -> tuple[Move, ...]:
        """Take in where power begins: by hand that is from nothing."""
        if arm.frequency_hz is not None:
            self.set("frequency", arm.frequency_hz)
        self.set("current_limit", arm.current_limit_a)
        self.set("voltage", arm.voltage_v)
        self._watch = TurnWatch(self._envelope)
        return ()

    def on(self) -> tuple[Move, ...]:
        """Return the moves that close the contact; the power meter is seen to be the same."""
        contact = contact_moves(closed=True) if self._switch else ()
        return (*contact, Check(METER, "identity"))

    def set(self, quantity: str, value: float) -> tuple[Move, ...]:
        """Take in a setting that the hand is told of; ``CommandRefused`` outside the envelope."""
        bounds = {"voltage": self._envelope.voltage_v, "current_limit": self._envelope.current_a}
        if quantity == "frequency":
            require_frequency(value, self._envelope)
        else:
            require_inside(quantity, value, bounds[quantity])
        if quantity == "current_limit":
            self._limit_a = value
        return ()

    def protect(self, voltage_v: float) -> tuple[Move, ...]:  # noqa: ARG002 - it has none
        """Refuse: it has no protection of its own to set."""
        raise CommandRefused("a source set by hand has no voltage protection", where="keeper")

    def watch(self, level: Level) -> None:
        """Take in what a level wants of the hand; it holds until the next."""
        if level.turn is not None:
            self._watch.aim(level.turn)

    def look(self, sample: SupplySample) -> Finding | None:
        """Hold a sample against the level's limit and what the hand may do; None: all is well."""
        if not sample.current_a <= self._limit_a:  # also where it is no number
            read, limit = (
                format_quantity(each, "A", 3) for each in (sample.current_a, self._limit_a)
            )
            at = format_quantity(sample.voltage_v, "V", 3)
            return TripReason.LIMIT_PASSED, f"{read} read at {at}, the limit is {limit}"
        return self._watch.add(sample)


class TurnWatch:
    """Follows the voltage at the unit while a hand turns: how far, and how fast (pure)."""

    def __init__(self, envelope: OperatingEnvelope) -> None:
        self._jump_v = _JUMP_FRAC * envelope.voltage_v + _ERRORS * envelope.voltage_error_v
        self._most_v = self._fastest_v_per_s = math.inf
        self._leaving_v: float | None = None  # bound of a higher level that it comes down from
        self._past: deque[tuple[float, float]] = deque()

    def aim(self, turn: Turn) -> None:
        """Take in what the hand is to do from now on."""
        came_from_v = self._most_v if self._leaving_v is None else self._leaving_v
        higher = math.isfinite(came_from_v) and came_from_v > turn.most_v
        self._leaving_v = came_from_v if higher else None
        self._most_v, self._fastest_v_per_s = turn.most_v, turn.fastest_v_per_s

    def add(self, sample: SupplySample) -> Finding | None:
        """Take in a sample; None while the hand keeps to the plan, else why to cut power."""
        now_s, voltage_v = sample.time_s, sample.voltage_v
        if voltage_v <= self._most_v:
            self._leaving_v = None
        bound_v = self._most_v if self._leaving_v is None else self._leaving_v
        if not voltage_v <= bound_v:
            return TripReason.TURNED_TOO_FAR, (
                f"{format_quantity(voltage_v, 'V', 4)} read, "
                f"{format_quantity(bound_v, 'V', 4)} is the most here"
            )
        finding = self._rise(now_s, voltage_v)
        self._past.append((now_s, voltage_v))
        while len(self._past) > 1 and now_s - self._past[1][0] > _RISE_S:
            self._past.popleft()
        return finding

    def _rise(self, now_s: float, voltage_v: float) -> Finding | None:
        """Hold the rise since each reading of the last moment against the fastest allowed."""
        for before_s, before_v in self._past or ((now_s, 0.0),):
            allowed_v = self._jump_v + self._fastest_v_per_s * (now_s - before_s)
            if voltage_v - before_v > allowed_v:
                rose = format_quantity(voltage_v - before_v, "V", 3)
                took = format_quantity(now_s - before_s, "s", 2)
                return TripReason.TURNED_TOO_FAST, (
                    f"{rose} in {took}, where {format_quantity(allowed_v, 'V', 3)} is the most"
                )
        return None
