"""The keeper's moves on the wire, one at a time: what does not do as it says is a failure."""

from __future__ import annotations

from harness.bench.clock import Clock
from harness.bench.roles import Instrument
from harness.errors import NoReading, UnexpectedReply
from harness.power.moves import Check, Confirm, Gone, Move, Send
from harness.power.port import OnEvent
from harness.profile.measures import SETTINGS, role_of
from harness.quantity import format_quantity
from harness.record.events import EventKind

#: Longest time for voltage and current to be gone: an averaging window or two, and what a
#: suppression capacitor holds.
_GONE_S = 1.0
#: The same where nothing but a person takes it away, and what that person is told.
_BY_HAND_S = 30.0
OFF_BY_HAND = "to 0 V: no switch cuts this source, so power goes off by hand; then pull the plug"
#: What a state is called, from off to on.
_OUTPUT, _CONTACT = ("off", "on"), ("open", "closed")


def put(move: Move, instrument: Instrument, clock: Clock, tell: OnEvent) -> None:
    """Send a message, or ask and compare; ``tell`` is told what a person has to do.

    Raises:
        InstrumentError: It was not carried out, or the answer is another than it should be.
    """
    match move:
        case Send(operation=operation, value=value):
            instrument.send(operation, value)
        case Confirm(operation=operation, expected=bool() as expected):
            if instrument.state(operation) is not expected:
                words = _CONTACT if operation == "contact_state" else _OUTPUT
                told, said = words[expected], words[not expected]
                raise UnexpectedReply(
                    f"it reports {said} where {told} was set",
                    instrument=instrument.link.name,
                    message=instrument.dialect.ask[operation],
                    remedy="look at its front panel",
                )
        case Confirm():
            _compare(instrument, move)
        case Gone():
            _see_gone(instrument, move, clock, tell)
        case Check(what="errors"):
            instrument.check_errors()
        case Check(what="identity"):
            instrument.check_identity()
        case Check(what="protection"):
            instrument.check_protection()


def _see_gone(instrument: Instrument, move: Gone, clock: Clock, tell: OnEvent) -> None:
    """Read until nothing is there any more, but not for long; a hand is told and waited for."""
    end_s = clock.now_s() + (_BY_HAND_S if move.by_hand else _GONE_S)
    told = not move.by_hand
    while True:
        sample = instrument.sample()
        # written so that a value that is no number is still there
        if abs(sample.voltage_v) <= move.voltage_v and abs(sample.current_a) <= move.current_a:
            return
        if not told:
            told = True
            tell(EventKind.TURN, OFF_BY_HAND)
        if clock.now_s() >= end_s:
            raise UnexpectedReply(
                f"it still reads {format_quantity(sample.voltage_v, 'V', 3)} and "
                f"{format_quantity(sample.current_a, 'A', 3)} with power off",
                instrument=instrument.link.name,
                remedy="pull the plug of the source",
            )


def _compare(instrument: Instrument, move: Confirm) -> None:
    """Compare a setting read back with what went on the wire."""
    sent = instrument.dialect.sent_value(move.set_by, float(move.expected))
    try:
        value = instrument.value(move.operation)
    except NoReading as error:
        if move.kept:
            raise  # it was readable when it was set
        raise UnexpectedReply(
            error.what, instrument=error.instrument, message=error.message
        ) from error
    # written so that a value that is no number fails
    if abs(value - sent) <= move.tolerance:
        return
    what = f"it reads back {value:g} where {sent:g} was set"
    remedy = "check its range, its front-panel lock and its dialect"
    if move.kept:
        name = move.operation.removesuffix("_setting")
        unit = SETTINGS[role_of(move.role)][name]
        read, told = format_quantity(value, unit), format_quantity(sent, unit)
        what = f"the {name.replace('_', ' ')} reads {read} where {told} was set"
        remedy = "see who else talks to it, and lock its front panel"
    raise UnexpectedReply(
        what,
        instrument=instrument.link.name,
        message=instrument.dialect.ask[move.operation],
        remedy=remedy,
    )
