"""What a failure on the wire means for power: the reason it is cut for (pure)."""

from __future__ import annotations

from harness.errors import (
    LinkError,
    LinkTimeout,
    NoReading,
    ReportedError,
    Unwatched,
)
from harness.power.moves import Check, Confirm, Gone, Move
from harness.power.trip import TripReason

#: Reason to cut power by the kind of failure, most specific first.
_REASONS: tuple[tuple[type[Exception], TripReason], ...] = (
    (LinkTimeout, TripReason.INSTRUMENT_SILENT),
    (LinkError, TripReason.LINK_LOST),
    (NoReading, TripReason.NO_READING),
    (ReportedError, TripReason.INSTRUMENT_ERROR),
    (Unwatched, TripReason.UNWATCHED),
)


def failure_reason(error: Exception, move: Move | None = None) -> TripReason:
    """Return the reason to cut power for a move, or a reading (None), that failed."""
    for kind, reason in _REASONS:
        if isinstance(error, kind):
            return reason
    match move:
        case Gone():
            return TripReason.CONTACT_WELDED
        case Check(what="identity"):
            return TripReason.OUT_OF_STEP
        case Check(what="protection"):
            return TripReason.PROTECTION
        case Confirm(operation="output_state", expected=True):
            return TripReason.OUTPUT_DROPPED
        case Confirm(role="enable_switch", operation="contact_state"):
            return TripReason.RELAY_OPEN if move.expected else TripReason.RELAY_WELDED
        case Confirm(operation="contact_state"):
            return TripReason.CONTACT_OPEN if move.expected else TripReason.CONTACT_WELDED
        case Confirm():
            return TripReason.SETTING_CHANGED if move.kept else TripReason.READBACK
    return TripReason.NO_READING
